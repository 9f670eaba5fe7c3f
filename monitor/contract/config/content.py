"""What a configuration file contains, apart from its comments and its order: a digest, and where two differ.

Keys that hold their default do not count, so that a program which knows more optional keys reads the same content.
"""

import hashlib
from collections.abc import Iterator

import msgspec

from monitor.contract.config.base import Settings

_LABELS = ("stream", "zone", "name")  # what names an entry of a list, the first that it has


def digest_of(settings: Settings) -> str:
    """SHA-256 of the content, in hexadecimal digits."""
    form = settings.model_dump(mode="json", exclude_defaults=True)
    return hashlib.sha256(msgspec.json.encode(form, order="deterministic")).hexdigest()


def differences_of(before: Settings, after: Settings) -> dict[str, tuple[object, object]]:
    """(before, after) by key where two contents are not the same, `window/oven-b/temperature/hi` for example.

    None is a key that is not set.
    """
    old, new = (dict(_leaves(s.model_dump(mode="json"), "")) for s in (before, after))
    keys = dict.fromkeys([*old, *new])
    return {key: (old.get(key), new.get(key)) for key in keys if old.get(key) != new.get(key)}


def _leaves(form: object, at: str) -> Iterator[tuple[str, object]]:
    if isinstance(form, dict):
        for key, value in form.items():
            yield from _leaves(value, f"{at}/{key}" if at else key)
    elif isinstance(form, list):
        seen: dict[str, int] = {}
        for i, value in enumerate(form):
            label = _label(value, i)
            seen[label] = seen.get(label, 0) + 1
            yield from _leaves(value, f"{at}/{label}" + (f"[{seen[label]}]" if seen[label] > 1 else ""))
    else:
        yield at, form


def _label(entry: object, i: int) -> str:
    if not isinstance(entry, dict):
        return f"[{i + 1}]"
    if "quantity" in entry:
        return f"{entry['station']}/{entry['quantity']}"
    return next((str(entry[key]) for key in _LABELS if key in entry), f"[{i + 1}]")
