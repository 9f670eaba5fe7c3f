"""A field for a number: plain text, read by `text.number_entry`, since a browser's number field drops letters."""

import dash_mantine_components as dmc

from dashboard.text import format


def number_field(
    id_: str | dict[str, str],
    label: str,
    value: float | None,
    unit: str = "",
    description: str | None = None,
    width: int = 150,
) -> dmc.TextInput:
    """A field of a value in a unit; empty for none."""
    name = format.unit(unit)
    return dmc.TextInput(
        id=id_, label=label, value="" if value is None else f"{value:.10g}", description=description, debounce=300,
        w=width, rightSection=name or None, rightSectionWidth=8 * len(name) + 16 if name else None,
        inputProps={"inputMode": "text"},
    )  # fmt: skip
