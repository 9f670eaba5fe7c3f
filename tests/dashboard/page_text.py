"""What a page shows, as text to search in."""

import json


def text_of(part: object) -> str:
    """All words of a piece of a page."""
    if isinstance(part, str | int | float):
        return str(part)
    if isinstance(part, list | tuple):
        return " ".join(text_of(p) for p in part)
    inner = getattr(part, "children", None)
    label = " ".join(str(getattr(part, name, "")) for name in ("label", "description", "value"))
    return f"{label} {text_of(inner)}" if inner is not None else label


def json_of(component: object) -> str:
    """A component with all its properties, addresses and class names too."""
    return json.dumps(component, default=lambda one: one.to_plotly_json(), ensure_ascii=False)
