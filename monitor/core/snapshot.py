"""The state of one line's engine as bytes and back: versioned data with a digest, no code.

Bytes: four of `MAGIC`, the SHA-256 of what follows, then msgpack of [version, configuration, state]. The configuration
is not in it: line, recipes and all that is worked out from them are references, resolved in what the caller passes
in, and the snapshot holds only their digests. Nor are the fillings in it: the record has them. State types are the
ones listed in `TYPES`, each under a name of its own that outlives a renaming of the class; a type that is not listed
is an error on both ways.

A change of the layout (a field of a listed type added, removed, renamed, or of another meaning) raises `VERSION` and
adds a function to `UPGRADES`, which turns the state of the version before into the new one. `describe` is the layout
in words; a test compares it with the description kept for the version.
"""

import hashlib
import operator
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from enum import Enum
from functools import cached_property
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

import msgspec
import numpy as np

from monitor.contract import messages
from monitor.contract.config.content import digest_of
from monitor.contract.config.line import Line, StreamSettings
from monitor.contract.config.recipe import Dwell, EventCheck, Recipe, Tape, Window
from monitor.contract.record import (
    AlarmState,
    CounterFault,
    DrumSpan,
    EventMember,
    Finding,
    FindingKind,
    Priority,
    Proposal,
    Splice,
    Verdict,
)
from monitor.contract.topics import Stream
from monitor.core.alarms import Alarm, AlarmBook, AlarmEvent, Definition
from monitor.core.arrival import Block, Message
from monitor.core.counter_alarm import CounterAlarm
from monitor.core.cure.forecast import Forecast, Inside
from monitor.core.cure.plan import Plan
from monitor.core.cure.stage import CureCheck, CureStage, Length
from monitor.core.drums import Drums, NameAlarm
from monitor.core.dwell import DwellCheck, zones_of
from monitor.core.events import EventBook, OpenEvent
from monitor.core.fillings import Fillings
from monitor.core.limit import Limit, Mode, Point
from monitor.core.line_silence import LineSilence
from monitor.core.manual_entries import People
from monitor.core.message_order import StreamOrder
from monitor.core.metre_rows import Rows
from monitor.core.metre_samples import Cells
from monitor.core.pipeline import Pipeline
from monitor.core.presence import Missing, Stuck
from monitor.core.revisions import Revisions
from monitor.core.state import StateTimeline
from monitor.core.stream import EventPulse, Pending, StreamFlow, WindowCheck
from monitor.core.track import Track, TrackStart, to_grid
from monitor.core.zone_heat import ZoneHeat
from monitor.physics.heat_march import Elements
from monitor.physics.margins import Margin, Margins

VERSION = 11
MAGIC = b"EMS\n"
DIGEST_BYTES = 32

Tree = Any  # what msgpack knows: None, bool, int, float, str, bytes, list, dict
Upgrade = Callable[[dict[str, Tree]], None]


class SnapshotError(Exception):
    """A snapshot cannot be used; the text says why."""


class DamagedSnapshotError(SnapshotError):
    """The bytes are not the ones that were written."""


class UnknownVersionError(SnapshotError):
    """A layout that this program does not know."""


class OtherConfigurationError(SnapshotError):
    """The snapshot belongs to a line or a recipe of other content than what was passed in."""


# ---- what is passed in -------------------------------------------------------------------------------------------

RecipeKey = tuple[str, int]


@dataclass(frozen=True, kw_only=True)
class Given:
    """What a state refers to: the line, every recipe by name and revision, and the line's fillings on record."""

    line: Line
    recipes: Mapping[RecipeKey, Recipe]
    fillings: Fillings
    used: set[RecipeKey] = field(default_factory=set)  # recipes that were referred to
    _plans: dict[RecipeKey, Plan | None] = field(default_factory=dict)

    def refer(self, part: Any) -> list[Tree]:
        """The reference to a part of the configuration; ValueError where it is not part of it."""
        if isinstance(part, Line):
            return ["line"]
        if isinstance(part, StreamSettings):
            return ["stream", part.path]
        kind, key, *at = self._place_of(part)
        self.used.add(key)
        return [kind, *key, *at]

    def _place_of(self, part: Any) -> tuple[Any, ...]:
        if isinstance(part, Plan):
            return "plan", (part.recipe.recipe, part.recipe.revision)
        if isinstance(part, Recipe):
            return "recipe", (part.recipe, part.revision)
        kind = _KINDS[type(part)]
        newest_first = [(key, getattr(recipe, kind)) for key, recipe in sorted(self.recipes.items(), reverse=True)]
        for same in (operator.is_, operator.eq):  # an equal part replaces one of a recipe that was read twice
            for key, parts in newest_first:
                for i, other in enumerate(parts):
                    if same(other, part):
                        return kind, key, i
        raise ValueError(f"{part!r} is in no recipe that this engine was given")

    def resolve(self, kind: str, *at: Any) -> Any:
        """The part of the configuration that a reference means."""
        if kind == "line":
            return self.line
        if kind == "stream":
            return self.line.streams[at[0]]
        key = (at[0], at[1])
        if kind == "recipe":
            return self.recipes[key]
        if kind == "plan":
            if key not in self._plans:
                self._plans[key] = Plan.of(self.line, self.recipes[key])
            return self._plans[key]
        return getattr(self.recipes[key], kind)[at[2]]


_KINDS: dict[Any, str] = {Window: "window", EventCheck: "event_check", Dwell: "dwell", Tape: "tape"}
GIVEN = (Line, StreamSettings, Recipe, Plan, *_KINDS)


# ---- the listed types --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StateType:
    """One listed type. `left_out` fields are worked out again by `relink` once the rest is there."""

    cls: type
    left_out: tuple[str, ...] = ()
    relink: Callable[[Any, Given], None] | None = None

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Fields that a snapshot holds, in order."""
        every = [f.name for f in fields(self.cls)] if is_dataclass(self.cls) else self.cls.__struct_fields__  # type: ignore[attr-defined]
        return tuple(name for name in every if name not in self.left_out)


def _relink_flow(flow: StreamFlow, given: Given) -> None:
    flow.place(given.line)


def _relink_stage(stage: CureStage, given: Given) -> None:
    stage.line = given.line


def _relink_line(part: Drums | Rows | LineSilence | EventBook, given: Given) -> None:
    part.line = given.line


def _relink_dwell(check: DwellCheck, given: Given) -> None:
    check.line, check.zones = given.line, zones_of(given.line, check.dwell)


def _relink_revisions(revisions: Revisions, given: Given) -> None:
    revisions.line, revisions.earlier = given.line, dict(given.recipes)


def _relink_pipeline(pipeline: Pipeline, given: Given) -> None:
    pipeline.line = given.line
    pipeline.link()


def _relink_drums(drums: Drums, given: Given) -> None:
    drums.line, drums.fillings = given.line, given.fillings.copy()
    drums.spans = [_numbered(span, drums.fillings) for span in drums.spans]
    drums.on = drums.spans[-1] if drums.on is not None else None


def _numbered(span: DrumSpan, fillings: Fillings) -> DrumSpan:
    """A span of a snapshot of version 1, which knew no numbers, with the one that the record gave it."""
    return span if span.filling else replace(span, filling=fillings.number(span.drum, span.start_s))


TYPES: dict[str, StateType] = {
    "pipeline": StateType(Pipeline, ("line", "recipes", "_worked_out", "_waits"), _relink_pipeline),
    "revisions": StateType(Revisions, ("line", "earlier"), _relink_revisions),
    "drums": StateType(Drums, ("line", "fillings"), _relink_drums),
    "name alarm": StateType(NameAlarm),
    "counter alarm": StateType(CounterAlarm),
    "rows": StateType(Rows, ("line",), _relink_line),
    "line silence": StateType(LineSilence, ("line",), _relink_line),
    "people": StateType(People),
    "track": StateType(Track),
    "track start": StateType(TrackStart),
    "state timeline": StateType(StateTimeline),
    "alarm book": StateType(AlarmBook),
    "alarm": StateType(Alarm),
    "alarm definition": StateType(Definition),
    "alarm event": StateType(AlarmEvent),
    "event book": StateType(EventBook, ("line",), _relink_line),
    "open event": StateType(OpenEvent),
    "event member": StateType(EventMember),
    "flow": StateType(StreamFlow, ("line", "where", "middle_m", "ahead_m"), _relink_flow),
    "order": StateType(StreamOrder),
    "pending": StateType(Pending),
    "cells": StateType(Cells),
    "zone heat": StateType(ZoneHeat),
    "missing": StateType(Missing),
    "stuck": StateType(Stuck),
    "window check": StateType(WindowCheck),
    "limit": StateType(Limit),
    "point": StateType(Point),
    "pulse": StateType(EventPulse),
    "dwell check": StateType(DwellCheck, ("line", "zones"), _relink_dwell),
    "cure stage": StateType(CureStage, ("line",), _relink_stage),
    "cure check": StateType(CureCheck),
    "length": StateType(Length),
    "elements": StateType(Elements),
    "forecast": StateType(Forecast),
    "inside": StateType(Inside),
    "margins": StateType(Margins),
    "margin": StateType(Margin),
    "finding": StateType(Finding),
    "drum span": StateType(DrumSpan),
    "splice": StateType(Splice),
    "proposal": StateType(Proposal),
    "counter fault": StateType(CounterFault),
    "message": StateType(Message),
    "block": StateType(Block),
    "stream": StateType(Stream),
    "state change": StateType(messages.StateChange),
    "drum change": StateType(messages.DrumChange),
    "payoff change": StateType(messages.PayoffChange),
    "action": StateType(messages.Action),
    "limits step": StateType(messages.LimitsStep),
}
ENUMS: dict[str, type[Enum]] = {
    "mode": Mode,
    "verdict": Verdict,
    "priority": Priority,
    "alarm state": AlarmState,
    "finding kind": FindingKind,
}
ARRAYS = ("<f8", "<i8", "|b1", "|i1")

_TYPE_OF = {listed.cls: (name, listed) for name, listed in TYPES.items()}
_ENUM_OF = {cls: name for name, cls in ENUMS.items()}
_PLAIN = frozenset({type(None), bool, int, float, str, bytes})


# ---- upgrades ----------------------------------------------------------------------------------------------------


def every(tree: Tree, name: str) -> Iterator[dict[str, Tree]]:
    """Every object of a listed type in a state, to be changed in place by an upgrade."""
    if isinstance(tree, dict):
        if tree.get("") == name:
            yield tree
        for value in list(tree.values()):
            yield from every(value, name)
    elif isinstance(tree, list):
        for value in tree:
            yield from every(value, name)


def _starts_kinds_and_signers(tree: Tree) -> None:
    """To version 2: messages name the start of their numbering; a finding's kind is an enumeration, who and why too."""
    for name in ("order", "message", "state change", "drum change", "payoff change", "action", "limits step"):
        for numbered in every(tree, name):
            numbered["start"] = 0
    for finding in every(tree, "finding"):
        kind = "fault" if finding["kind"] == "event" else finding["kind"]
        finding |= {"kind": ["enum", "finding kind", kind], "by": "", "reason": ""}


def _number_fillings(tree: Tree) -> None:
    """To version 3: a drum's span has the number of its filling, 0 until the record's is looked up."""
    tree["_name_alarm_until_s"] = None
    for span in every(tree, "drum span"):
        span["filling"] = 0


def _unjudged(tree: Tree) -> None:
    """To version 4: an engine knows when no recipe was in force."""
    for engine in every(tree, "pipeline"):
        engine["unjudged"] = ["list", *([] if engine["recipe"] else [["tuple", float("-inf"), float("inf")]])]


def _people_by_start(tree: Tree) -> None:
    """To version 5: a message of a person is known by the start of its numbering too; none was kept, so it is 0."""
    for engine in every(tree, "pipeline"):
        kind, *items = engine["_people"]
        numbers = [["tuple", path, 0, n] for _, path, n in items[::2]]
        engine["_people"] = [kind, *(part for number in numbers for part in (number, None))]


def _offsets_on_grid(tree: Tree) -> None:
    """To version 6: a track keeps what is added to its counter's readings, on a grid, not the metres they came to."""
    for track in every(tree, "track"):
        if track["_last"] is not None:
            _, t_s, reading, metres, S = track["_last"]
            track["_last"] = ["tuple", t_s, reading, to_grid(metres - reading), to_grid(S)]
        if track["_slip"] is not None:
            _, reading, S, metres = track["_slip"]
            track["_slip"] = ["tuple", reading, to_grid(S), to_grid(metres - reading)]
        kind, *swept = track["_speed_S"]
        track["_speed_S"] = [kind, *map(to_grid, swept)]


def _parts_of_the_engine(tree: Tree) -> None:
    """To version 7: drums, rows, people, the silence of the line and two alarms are parts of the engine."""
    for revisions in every(tree, "revisions"):
        del revisions["line"]
    for engine in every(tree, "pipeline"):
        engine["drums"] = {
            "": "drums", "on": engine.pop("drum"), "spans": engine.pop("spans"),
            "name_alarm": {"": "name alarm", "until_s": engine.pop("_name_alarm_until_s")},
        }  # fmt: skip
        engine["rows"] = {"": "rows", "next_m": engine.pop("next_row"), "without_recipe": engine.pop("unjudged")}
        engine["silence"] = {"": "line silence", "heard_s": engine.pop("heard_s"), "silent": engine.pop("silent")}
        engine["counter_alarm"] = {"": "counter alarm", "until_s": engine.pop("_counter_until_s")}
        engine["people"] = {"": "people", "known": engine.pop("_people")}
        del engine["done_s"], engine["duplicates"]


def _unverified(tree: Tree) -> None:
    """To version 8: metres without data are unverified, which was called unseen."""
    for length in every(tree, "length"):
        length["unverified"] = length.pop("unseen")
    for finding in every(tree, "finding"):
        if finding["check"] == "unseen":
            finding |= {"check": "unverified", "key": finding["key"].replace("/unseen@", "/unverified@")}


def _starts_of_tracks(tree: Tree) -> None:
    """To version 9: a track keeps places where another may start, of which the first follows with the next reading."""
    for track in every(tree, "track"):
        track["starts"] = ["list"]


def _past_and_silences(tree: Tree) -> None:
    """To version 10: silences keep where they began, and a track a thin past, which a start fills from messages.

    An action of a person may be a mark.
    """
    for action in every(tree, "action"):
        action.setdefault("mark", None)
    for engine in every(tree, "pipeline"):
        knots_s, knots_m = (_revived_array(*engine["track"][name][1:]) for name in ("t_s", "L_m"))
        engine["track"] |= {"slips": ["list"], "_past_t": ["list"], "_past_L": ["list"], "_past_due_s": -np.inf}
        for flow in every(engine, "flow"):
            _, _, last_m = flow.pop("_last")
            del flow["_stuck_since"]
            if flow["missing"] is not None:
                flow["missing"] |= {"last_m": last_m, "last_known_s": flow["missing"]["last_s"], "last_seq": -1}
            if flow["stuck"] is not None:
                since_s = flow["stuck"]["since_s"]
                flow["stuck"]["since_m"] = float(np.interp(since_s, knots_s, knots_m)) if len(knots_s) else np.nan


def _events(tree: Tree) -> None:
    """To version 11: alarms belong to events; those raised before belong to none."""
    for event in every(tree, "alarm event"):
        event["of_event"] = ""
    for action in every(tree, "action"):
        action["event"] = None
    for engine in every(tree, "pipeline"):
        engine["event_book"] = {"": "event book", "events": ["list"]}


# From each version to the next.
UPGRADES: dict[int, Upgrade] = {
    1: _starts_kinds_and_signers, 2: _number_fillings, 3: _unjudged, 4: _people_by_start, 5: _offsets_on_grid,
    6: _parts_of_the_engine, 7: _unverified, 8: _starts_of_tracks,
    9: _past_and_silences, 10: _events,
}  # fmt: skip


# ---- both ways ---------------------------------------------------------------------------------------------------


def dump(pipeline: Pipeline) -> bytes:
    """State of an engine. The same state gives the same bytes."""
    given = Given(line=pipeline.line, recipes=pipeline.revisions.earlier, fillings=pipeline.drums.fillings)
    tree = _plain(pipeline, given)
    recipes = [[*key, digest_of(given.recipes[key])] for key in sorted(given.used)]
    return _sealed(VERSION, [digest_of(pipeline.line), recipes], tree)


def _sealed(version: int, configuration: Tree, tree: Tree) -> bytes:
    body = msgspec.msgpack.encode([version, configuration, tree])
    return MAGIC + hashlib.sha256(body).digest() + body


def load(data: bytes, given: Given, upgrades: Mapping[int, Upgrade] = UPGRADES) -> Pipeline:
    """The engine whose state these bytes are.

    Raises SnapshotError: for bytes that were changed, a version that cannot be read, other configuration.
    """
    version, (of_line, of_recipes), tree = _opened(data)
    if of_line != digest_of(given.line):
        raise OtherConfigurationError(f"it belongs to line {given.line.line} as it was described before")
    for name, revision, digest in of_recipes:
        recipe = given.recipes.get((name, revision))
        if recipe is None or digest_of(recipe) != digest:
            raise OtherConfigurationError(f"recipe {name} revision {revision} is not on record as the snapshot knew it")
    missing = [step for step in range(version, VERSION) if step not in upgrades]
    if missing:
        raise UnknownVersionError(f"version {version}: no upgrade from version {missing[0]}")
    try:
        for step in range(version, VERSION):
            upgrades[step](tree)
        pipeline = _revived(tree, given)
    except (KeyError, IndexError, TypeError, ValueError, AttributeError) as error:
        raise SnapshotError(f"version {version}: {type(error).__name__}: {error}") from error
    if not isinstance(pipeline, Pipeline):
        raise SnapshotError(f"expected the state of an engine, got {type(pipeline).__name__}")
    return pipeline


def _opened(data: bytes) -> tuple[int, Any, Any]:
    start = len(MAGIC) + DIGEST_BYTES
    if data[: len(MAGIC)] != MAGIC or len(data) <= start:
        raise DamagedSnapshotError(f"expected bytes that begin with {MAGIC!r}, got {data[: len(MAGIC)]!r}")
    if hashlib.sha256(data[start:]).digest() != data[len(MAGIC) : start]:
        raise DamagedSnapshotError(f"its digest does not fit its {len(data):,} bytes")
    version, configuration, tree = msgspec.msgpack.decode(data[start:])
    if version > VERSION:
        raise UnknownVersionError(f"version {version} of a newer program; this one knows up to version {VERSION}")
    return version, configuration, tree


def _plain(value: Any, given: Given) -> Tree:
    """A value as msgpack knows it; containers carry their kind as the first item, objects their name under ""."""
    cls = type(value)
    if cls in _PLAIN:
        return value
    if cls is np.ndarray:
        return _plain_array(value)
    if cls is list:
        return ["list", *(v if type(v) in _PLAIN else _plain(v, given) for v in value)]
    if cls is tuple:
        return ["tuple", *(_plain(v, given) for v in value)]
    if cls is dict:
        return ["dict", *(_plain(v, given) for item in value.items() for v in item)]
    if cls is set:
        return ["set", *sorted((_plain(v, given) for v in value), key=msgspec.msgpack.encode)]
    if cls in _TYPE_OF:
        name, listed = _TYPE_OF[cls]
        return {"": name} | {field: _plain(getattr(value, field), given) for field in listed.names}
    if cls in _ENUM_OF:
        return ["enum", _ENUM_OF[cls], value.value]
    if isinstance(value, GIVEN):
        return ["given", *given.refer(value)]
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{cls.__module__}.{cls.__name__} is no listed type of state: add it to monitor.core.snapshot")


def _plain_array(array: np.ndarray[Any, Any]) -> Tree:
    if array.dtype.str not in ARRAYS:
        raise TypeError(f"expected an array of {', '.join(ARRAYS)}, got {array.dtype.str}")
    return ["array", array.dtype.str, list(array.shape), array.tobytes()]


def _revived(tree: Tree, given: Given) -> Any:
    if isinstance(tree, dict):
        return _revived_object(tree, given)
    if not isinstance(tree, list):
        return tree
    kind, rest = tree[0], tree[1:]
    if kind == "array":
        return _revived_array(*rest)
    if kind == "enum":
        return ENUMS[rest[0]](rest[1])
    if kind == "given":
        return given.resolve(*rest)
    values = [_revived(v, given) if isinstance(v, dict | list) else v for v in rest]
    if kind == "dict":
        return dict(zip(values[::2], values[1::2], strict=True))
    return {"list": list, "tuple": tuple, "set": set}[kind](values)


def _revived_array(dtype: str, shape: Sequence[int], data: bytes) -> np.ndarray[Any, Any]:
    if dtype not in ARRAYS:
        raise ValueError(f"expected an array of {', '.join(ARRAYS)}, got {dtype}")
    return np.frombuffer(data, dtype=np.dtype(dtype)).reshape(shape).copy()


def _revived_object(tree: dict[str, Tree], given: Given) -> Any:
    listed = TYPES[tree[""]]
    if tree.keys() - {""} != set(listed.names):
        odd = sorted((tree.keys() - {""}) ^ set(listed.names))
        raise ValueError(f"{tree['']}: fields {', '.join(odd)} do not fit this layout")
    values = {name: _revived(tree[name], given) for name in listed.names}
    if not is_dataclass(listed.cls):
        return listed.cls(**values)
    revived = listed.cls.__new__(listed.cls)
    for name, value in values.items():
        object.__setattr__(revived, name, value)
    if listed.relink is not None:
        listed.relink(revived, given)
    return revived


# ---- the layout in words -----------------------------------------------------------------------------------------


def describe() -> str:
    """The layout, one line for each field of each listed type, with its type as the source spells it."""
    lines = []
    for name, listed in TYPES.items():
        annotations = {key: kind for base in reversed(listed.cls.__mro__) for key, kind in _annotations(base).items()}
        lines += [f"{name}.{field}: {_spelt(annotations[field])}" for field in listed.names]
    for name, cls in ENUMS.items():
        lines += [f"{name} = {', '.join(repr(member.value) for member in cls)}"]
    return "\n".join(lines) + "\n"


def _annotations(cls: type) -> dict[str, Any]:
    return dict(vars(cls).get("__annotations__", {}))


def _spelt(annotation: Any) -> str:
    """A type without the bounds that a message of the wire must keep: they are no part of the layout."""
    if isinstance(annotation, str):
        return annotation
    if hasattr(annotation, "__metadata__"):
        return _spelt(annotation.__origin__)
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin in (Union, UnionType):
        return " | ".join(_spelt(a) for a in arguments)
    if origin is None or origin is Literal:
        return annotation.__name__ if isinstance(annotation, type) else str(annotation)
    return f"{_spelt(origin)}[{', '.join(_spelt(a) for a in arguments)}]"
