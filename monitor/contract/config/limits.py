"""Which numbers of a recipe are limits that may be changed, under which key, and a recipe with some of them changed.

Keys are `window/STATION/QUANTITY/NAME`, `event_check/STATION/QUANTITY/NAME`, `dwell/ZONE/NAME` and `cure/NAME`.
"""

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe

Changes = Mapping[str, float | None]

WINDOW = ("lolo", "lo", "hi", "hihi", "deadband", "on_delay_s", "on_delay_m", "off_delay_s", "off_delay_m")
EVENT_CHECK = ("guard_m", "off_delay_s")
DWELL = ("min_s", "max_s", "on_delay_m")
CURE = ("index_min", "index_warn", "surface_max_C", "degradation_max", "sheave_index_min")


class LimitsError(ValueError):
    """Invalid changes; the text says which, and why."""


def _places(recipe: Recipe) -> Iterator[tuple[str, tuple[str | int, ...]]]:
    """Each key with its path in the recipe's own form."""
    for i, window in enumerate(recipe.window):
        yield from ((f"window/{window.stream}/{name}", ("window", i, name)) for name in WINDOW)
    for i, check in enumerate(recipe.event_check):
        yield from ((f"event_check/{check.stream}/{name}", ("event_check", i, name)) for name in EVENT_CHECK)
    for i, dwell in enumerate(recipe.dwell):
        yield from ((f"dwell/{dwell.zone}/{name}", ("dwell", i, name)) for name in DWELL)
    if recipe.cure is not None:
        yield from ((f"cure/{name}", ("cure", name)) for name in CURE)


def limits_of(recipe: Recipe) -> dict[str, float | None]:
    """Every limit of a recipe by key; None where it is not set."""
    form = recipe.model_dump()
    return {key: _get(form, path) for key, path in _places(recipe)}


def with_limits(recipe: Recipe, changes: Changes, revision: int | None = None) -> Recipe:
    """The recipe with some limits changed (None takes one out), checked as if it came from a file.

    Raises LimitsError for an unknown key, or where the recipe would not be sound; every fault is named.
    """
    places, form = dict(_places(recipe)), recipe.model_dump()
    unknown = [key for key in changes if key not in places]
    if unknown:
        near = get_close_matches(unknown[0], places, n=1)
        raise LimitsError(
            f"no limit {unknown[0]!r} in recipe {recipe.recipe}" + (f": did you mean {near[0]!r}?" if near else "")
        )
    for key, value in changes.items():
        _set(form, places[key], value)
    form["revision"] = recipe.revision if revision is None else revision
    try:
        return Recipe.model_validate(form)
    except ValidationError as error:
        problems = "; ".join(f"{_spell(e['loc'])}: {e['msg'].removeprefix('Value error, ')}" for e in error.errors())
        raise LimitsError(f"recipe {recipe.recipe} would not be valid: {problems}") from error


def beyond_instruments(recipe: Recipe, line: Line) -> dict[str, str]:
    """Limits of windows that their line's instruments cannot reach, by key, each with a sentence."""
    found = {}
    for window in recipe.window:
        stream = line.streams.get(window.stream)
        if stream is None or stream.measuring_range is None:
            continue
        low, high = stream.measuring_range
        for name, at in window.limits.items():
            if not low <= at <= high:
                found[f"window/{window.stream}/{name.lower()}"] = (
                    f"expected {low:g} to {high:g} {window.unit}, the instrument's measuring range on line "
                    f"{line.line}, got {at:g}"
                )
    return found


def differences(before: Recipe, after: Recipe) -> dict[str, tuple[float | None, float | None]]:
    """Limits that are not the same, as (before, after) by key."""
    old, new = limits_of(before), limits_of(after)
    keys = dict.fromkeys([*old, *new])
    return {key: (old.get(key), new.get(key)) for key in keys if old.get(key) != new.get(key)}


def same_person(a: str, b: str) -> bool:
    """Whether two names are one person's: case and spaces make no difference."""
    return " ".join(a.split()).casefold() == " ".join(b.split()).casefold()


def _get(form: Any, path: tuple[str | int, ...]) -> Any:
    for part in path:
        form = form[part]
    return form


def _set(form: Any, path: tuple[str | int, ...], value: float | None) -> None:
    _get(form, path[:-1])[path[-1]] = value


def _spell(loc: tuple[int | str, ...]) -> str:
    return "/".join(str(part) for part in loc)
