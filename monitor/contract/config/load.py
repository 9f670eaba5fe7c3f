"""Configuration from text: all errors of all files at once, each with file, key, expected, got and remedy."""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import available_timezones

from pydantic import BaseModel, ValidationError

from monitor.contract.config.alarms import NOT_IN_FILES, alarms_of
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.limits import beyond_instruments
from monitor.contract.config.line import Line
from monitor.contract.config.orders import Orders
from monitor.contract.config.recipe import Recipe
from monitor.contract.config.works import Works

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class FileFault:
    """One error in a configuration file, with what the reader needs to correct it."""

    file: str
    key: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.file}: {self.key}: {self.problem} {self.remedy}".rstrip()


class ConfigurationError(Exception):
    """Configuration cannot be used; `faults` lists all of its errors."""

    def __init__(self, faults: list[FileFault]) -> None:
        super().__init__(f"{len(faults)} fault(s) in the configuration:\n" + "\n".join(f"  {f}" for f in faults))
        self.faults = faults


def read_folder(folder: Path) -> dict[str, str]:
    """Texts of all TOML files below a folder, by path relative to it. Raises FileNotFoundError for no folder."""
    if not folder.is_dir():
        raise FileNotFoundError(
            f"no configuration folder {folder}: name another, or write one with `everymetre init {folder}`"
        )
    found = sorted(folder.rglob("*.toml"))
    return {path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8") for path in found}


def load(folder: Path) -> Configuration:
    """Configuration of a works from its folder; raises ConfigurationError with all errors."""
    return parse(read_folder(folder))


def parse(files: Mapping[str, str]) -> Configuration:
    """Configuration from file texts by relative path; raises ConfigurationError with all errors.

    `works.toml`, `orders.toml`, `lines/*.toml` and `recipes/*.toml` are read; other files belong to other parts.
    """
    faults: list[FileFault] = []
    works = [m for _, m in _all(files, "works.toml", Works, faults)]
    orders = [m for _, m in _all(files, "orders.toml", Orders, faults)]
    lines = _by_name(_all(files, "lines/", Line, faults), "line", faults)
    recipes = _by_name(_all(files, "recipes/", Recipe, faults), "recipe", faults)
    if works:
        faults += _contacts_meet_lines(works[0], lines)
    if "works.toml" not in files:
        faults.append(FileFault("works.toml", "(file)", "is missing.", "Write it: works, title, time_zone."))
    if not any(name.startswith("lines/") for name in files):
        faults.append(FileFault("lines/", "(folder)", "holds no line.", "Describe at least one in lines/NAME.toml."))
    if works and works[0].time_zone not in available_timezones():
        problem = f"expected a time zone name such as Europe/Stockholm, got {works[0].time_zone!r}."
        faults.append(FileFault("works.toml", "time_zone", problem, "Correct the name."))
    for name, line in lines.items():
        faults += _kinds_meet_alarms(f"lines/{name}.toml", line, recipes)
    for name, recipe in recipes.items():
        faults += _recipe_meets_lines(f"recipes/{name}.toml", recipe, lines)
    for wanted in orders[0].length if orders else []:
        if f"recipes/{wanted.product}.toml" not in files:
            problem = f"no file recipes/{wanted.product}.toml."
            faults.append(FileFault("orders.toml", "length.product", problem, "Correct the name."))
    if faults:
        raise ConfigurationError(faults)
    lines = dict(sorted(lines.items(), key=lambda item: (item[1].process, item[0])))
    return Configuration(works=works[0], lines=lines, recipes=recipes, orders=orders[0] if orders else Orders())


def parse_model(file: str, text: str, model: type[M], faults: list[FileFault]) -> M | None:
    """One file as a model, or None with its faults added to `faults`."""
    try:
        return model.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        faults.append(FileFault(file, "(syntax)", f"is not TOML: {error}.", "Correct that place."))
    except ValidationError as error:
        faults += [_fault(file, model, dict(e)) for e in error.errors()]
    return None


def _all(files: Mapping[str, str], start: str, model: type[M], faults: list[FileFault]) -> Iterator[tuple[str, M]]:
    for file, text in files.items():
        if file.startswith(start):
            parsed = parse_model(file, text, model, faults)
            if parsed is not None:
                yield file, parsed


def _by_name(parsed: Iterator[tuple[str, M]], key: str, faults: list[FileFault]) -> dict[str, M]:
    named: dict[str, M] = {}
    for file, model in parsed:
        name = str(getattr(model, key))
        stem = Path(file).stem
        if name != stem:
            faults.append(
                FileFault(file, key, f"expected {stem!r} as the file is called, got {name!r}.", "Rename one.")
            )
        named[name] = model
    return named


def _fault(file: str, model: type[BaseModel], error: dict[str, Any]) -> FileFault:
    key = _spell(error["loc"])
    kind, got = error["type"], error.get("input")
    if kind == "extra_forbidden":
        return FileFault(file, key, "is not a key known here.", _suggest(str(error["loc"][-1]), model))
    if kind == "missing":
        return FileFault(file, key, "is missing.", "Add it.")
    if kind == "value_error":
        return FileFault(file, key, f"{error['ctx']['error']}.", "")
    return FileFault(file, key, f"{error['msg']}, got {got!r}.", "Correct the value.")


def _spell(loc: tuple[int | str, ...]) -> str:
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.lstrip(".") or "(file)"


def _suggest(word: str, model: type[BaseModel]) -> str:
    near = get_close_matches(word, sorted(_all_keys(model, set())), n=1, cutoff=0.6)
    return f"Did you mean {near[0]!r}? Otherwise remove it." if near else "Remove it or correct its spelling."


def _all_keys(model: type[BaseModel], seen: set[type]) -> set[str]:
    keys: set[str] = set()
    if model in seen:
        return keys
    seen.add(model)
    for name, field in model.model_fields.items():
        keys.add(name)
        for inner in (field.annotation, *getattr(field.annotation, "__args__", ())):
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                keys |= _all_keys(inner, seen)
    return keys


def _contacts_meet_lines(works: Works, lines: Mapping[str, Line]) -> Iterator[FileFault]:
    """Lines that people are to be notified about."""
    for i, contact in enumerate(works.contact):
        for name in contact.lines:
            if name not in lines:
                problem = f"there is no line {name}; there are {', '.join(sorted(lines))}."
                yield FileFault("works.toml", f"contact.{i}.lines", problem, "Correct the name, or leave it out.")


def _kinds_meet_alarms(file: str, line: Line, recipes: Mapping[str, Recipe]) -> Iterator[FileFault]:
    """Every pattern of a line's own kinds of events must name an alarm that the line can raise."""
    known = sorted(alarms_of(line, [r for r in recipes.values() if r.line_kind == line.kind]))
    for i, kind in enumerate(line.event_kind, 1):
        named = [("causes", pattern) for pattern in kind.causes] + [("effects", pattern) for pattern in kind.effects]
        for key, pattern in named:
            if pattern.partition("/")[0] not in NOT_IN_FILES and not any(fnmatchcase(a, pattern) for a in known):
                near = get_close_matches(pattern, known, n=1)
                remedy = f"Did you mean {near[0]!r}?" if near else "Write station/quantity/check of an alarm."
                problem = f"line {line.line} raises no alarm {pattern!r}."
                yield FileFault(file, f"event_kind[{i}].{key}", problem, remedy)


def _recipe_meets_lines(file: str, recipe: Recipe, lines: Mapping[str, Line]) -> Iterator[FileFault]:
    """Every stream and zone that a recipe names must exist, with its unit, on every line of its kind."""
    for line in lines.values():
        if line.kind != recipe.line_kind:
            continue
        streams, zones = line.streams, {zone.name for zone in line.zone}
        for i, window in enumerate(recipe.window, 1):
            stream = streams.get(window.stream)
            if stream is None:
                near = get_close_matches(window.stream, streams, n=1)
                remedy = f"Did you mean {near[0]!r}?" if near else "Add the stream to the line."
                yield FileFault(
                    file, f"window[{i}].stream", f"line {line.line} has no stream {window.stream!r}.", remedy
                )
            elif stream.unit != window.unit:
                problem = f"expected {stream.unit!r} as in lines/{line.line}.toml, got {window.unit!r}."
                yield FileFault(file, f"window[{i}].unit", problem, "Give the limits in the stream's unit.")
        for key, problem in beyond_instruments(recipe, line).items():
            yield FileFault(file, key, f"{problem}.", "Correct the limit, or measuring_range in the line's file.")
        for i, check in enumerate(recipe.event_check, 1):
            if check.stream not in streams or streams[check.stream].kind != "events":
                problem = f"line {line.line} has no stream of events {check.stream!r}."
                yield FileFault(file, f"event_check[{i}].stream", problem, "Add it there with kind = 'events'.")
        yield from _whole_cable_meets(file, recipe, line)
        if recipe.cure and recipe.cure.sheave and recipe.cure.sheave not in line.stations:
            problem = f"line {line.line} has no station {recipe.cure.sheave!r}."
            yield FileFault(file, "cure.sheave", problem, "Name the first sheave there, or take both keys out.")
        named = [(f"dwell[{i}].zone", d.zone) for i, d in enumerate(recipe.dwell, 1)]
        named += [(f"setpoints.zone_C.{zone}", zone) for zone in recipe.setpoints.zone_C]
        for key, zone in named:
            if zone not in zones:
                problem = f"line {line.line} has no zone {zone!r}; it has {', '.join(sorted(zones))}."
                yield FileFault(file, key, problem, "Correct the name.")


def _whole_cable_meets(file: str, recipe: Recipe, line: Line) -> Iterator[FileFault]:
    """Tapes, cooling and a circuit integrity test: what they name must be there."""
    if recipe.cooling and recipe.cooling.station not in line.stations:
        problem = f"line {line.line} has no station {recipe.cooling.station!r}."
        yield FileFault(file, "cooling.station", problem, "Name the place where the wall is first pressed.")
    for i, layer in enumerate(recipe.laying_up.layers if recipe.laying_up else [], 1):
        for name in layer:
            if name not in line.pay_off:
                problem = f"line {line.line} has no pay-off {name!r}; it has {', '.join(line.pay_off) or 'none'}."
                yield FileFault(
                    file, f"laying_up.layers[{i}]", problem, "Correct the name, or add it to pay_off there."
                )
    tapes = {tape.name for tape in recipe.tape}
    for stream in line.stream:
        if stream.derived and stream.derived.tape and stream.derived.tape not in tapes:
            problem = f"line {line.line} works out {stream.path} for a tape {stream.derived.tape!r}, which is not here."
            yield FileFault(file, "tape", problem, "Add [[tape]] with name, width_mm and on_diameter_mm.")
    test = recipe.integrity
    wanted = {"flame": "samples", "shock": "events", "circuit": "events", "water": "events"} if test else {}
    for key, kind in wanted.items():
        path = getattr(test, key)
        if path is not None and (path not in line.streams or line.streams[path].kind != kind):
            problem = f"line {line.line} has no stream of {kind} {path!r}."
            yield FileFault(file, f"integrity.{key}", problem, f"Add it there with kind = '{kind}'.")
        elif path is not None and key == "flame" and line.streams[path].unit != "degC":
            problem = f"expected stream {path!r} in 'degC' on line {line.line}, got {line.streams[path].unit!r}."
            yield FileFault(file, "integrity.flame", problem, "Name the stream of the flame's temperature.")
