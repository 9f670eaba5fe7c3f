"""How alarms, streams and drums are said to people: titles, sentences, responses."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from dashboard import format
from monitor.contract import drum_names
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line, Response
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import AlarmRow
from monitor.contract.record import SILENCE_ALARM, FillingKey, Finding
from monitor.contract.selfwatch import SELF_ALARMS

CAUTION = (
    "The tool advises. It is no interlock and releases nothing: hot ovens, high voltage and moving machinery stay "
    "under the works' own protective systems, local codes and competent people."
)
LIMIT_WORDS = {"LOLO": "far under", "LO": "under", "HI": "over", "HIHI": "far over"}
ORDER = {"high": 3, "medium": 2, "low": 1}


def signed(act: Finding) -> str:
    """Who did it, why, and what was measured."""
    measured = f" ({act.text})" if act.text else ""
    return f"{act.by}: {act.reason}{measured}" if act.reason else f"{act.by}{measured}"


@dataclass(frozen=True, slots=True)
class AlarmText:
    """What an alarm says and what it asks for; `response` is None where the configuration no longer knows it."""

    title: str
    response: Response | None


def alarm_text(alarm: AlarmRow, configuration: Configuration) -> AlarmText:
    """Sentence and response of an alarm, from the line and the recipe it was judged by."""
    line = configuration.lines.get(alarm.line)
    recipe = configuration.recipes.get(alarm.recipe or "")
    station, _, check = alarm.alarm.rpartition("/")
    if line is None:
        return AlarmText(alarm.alarm, None)
    own = SELF_ALARMS.get(alarm.alarm)
    if own is not None:
        return AlarmText(own.title, own.response)
    if alarm.alarm.startswith("line/counter/"):
        counter = line.streams[line.counter.stream]
        return AlarmText("Metre counter disagrees with the speed", counter.instrument)
    if alarm.alarm == drum_names.NAME_USED:
        return AlarmText(drum_names.TITLE, drum_names.RESPONSE)
    if alarm.alarm == SILENCE_ALARM:
        return AlarmText("Nothing is heard of this line", line.silence.response if line.silence else None)
    if station.startswith("cooling/"):
        cooling = recipe.cooling if recipe else None
        return AlarmText(cure_said(station, check, alarm.limit, alarm.unit), cooling.too_warm if cooling else None)
    if station.startswith("cure/"):
        return _cure_text(recipe, station, check, alarm)
    if station.endswith("/dwell"):
        return _dwell_text(line, recipe, station.split("/")[0], check, alarm)
    return _stream_text(line, recipe, station, check, alarm)


def stream_title(line: Line, path: str) -> str:
    """What a stream is called on screens, with its station where two of a line have one title."""
    settings = line.streams.get(path)
    if settings is None or not settings.title:
        return path.replace("/", " ").replace("-", " ").capitalize()
    alone = sum(s.title == settings.title for s in line.stream) == 1
    return settings.title if alone else f"{settings.title}, {inside(station_title(line, settings.station))}"


def event_title(line: Line, path: str, check: str) -> str:
    """What an event check is called on screens, with its station where another of the line counts the same."""
    said = check.replace("-", " ").capitalize()
    station, _, quantity = path.partition("/")
    alone = sum(s.kind == "events" and s.quantity == quantity for s in line.stream) == 1
    return said if alone or station not in line.stations else f"{said}, {inside(station_title(line, station))}"


def station_title(line: Line, name: str) -> str:
    """What a station or zone is called on screens."""
    station = line.stations.get(name)
    return station.title if station and station.title else name.replace("-", " ").capitalize()


def inside(title: str) -> str:
    """A title within a sentence: its first letter small, unless it stands alone or is a name."""
    return title[:1].lower() + title[1:] if title[1:2].islower() else title


def names_apart(drums: Iterable[FillingKey]) -> dict[FillingKey, str]:
    """What drums are called side by side: by name, with line and number of the filling where a name is there twice."""
    keys = list(dict.fromkeys(drums))
    often = Counter(key.drum for key in keys)
    return {
        key: key.drum if often[key.drum] == 1 or not key.wound_here else f"{key.drum} ({key.line} {key.filling})"
        for key in keys
    }


def _dwell_text(line: Line, recipe: Recipe | None, zone: str, check: str, alarm: AlarmRow) -> AlarmText:
    found = [d for d in recipe.dwell if d.zone == zone] if recipe else []
    response = (found[0].short if check == "short" else found[0].long) if found else None
    side = "under" if check == "short" else "over"
    limit = "" if alarm.limit is None else f" ({side} {format.limit(alarm.limit, 's')})"
    return AlarmText(f"Dwell in {inside(station_title(line, zone))} too {check}{limit}", response)


CURE = {
    ("cure/index-inner", "unseen"): "Cure not seen: an oven was not heard",
    ("cure/index-inner", "undercured"): "Wall not cured through: inner index under",
    ("cure/index-inner", "scant"): "Cure is scant: inner index under",
    ("cure/index-sheave", "soft"): "Surface soft at the first sheave: index under",
    ("cure/surface-peak", "overheated"): "Surface too hot: over",
    ("cure/degradation", "overheated"): "Too hot for too long: degradation index over",
    ("cooling/inside", "unseen"): "Cooling not seen: a trough was not heard",
    ("cooling/inside", "too-warm"): "Wall still warm where it is first pressed: inside over",
}
FORESEEN = {
    "undercured": "Will leave undercured",
    "overheated": "Overheated where it stands",
}


def cure_said(stream: str, check: str, limit: float | None, of_unit: str) -> str:
    """What a check of the cure says of cable."""
    if stream == "cure/forecast":
        return FORESEEN.get(check, check)
    said = CURE.get((stream, check), f"{stream} {check}")
    return f"{said} {format.limit(limit, of_unit)}" if limit is not None else said


def _cure_text(recipe: Recipe | None, stream: str, check: str, alarm: AlarmRow) -> AlarmText:
    cure = recipe.cure if recipe else None
    response = None if cure is None else cure.overheated if check == "overheated" else cure.undercured
    if stream != "cure/forecast":
        return AlarmText(cure_said(stream, check, alarm.limit, alarm.unit), response)
    if alarm.value is None:
        first = "No speed saves the metres at risk."
    else:
        first = f"Slow to {format.number(alarm.value, 'm/min', 1)} m/min or less."
    if response is not None:
        response = response.model_copy(update={"corrective_action": f"{first} {response.corrective_action}"})
    return AlarmText("Cable inside the line will leave undercured if nothing changes", response)


def _stream_text(line: Line, recipe: Recipe | None, path: str, check: str, alarm: AlarmRow) -> AlarmText:
    title, settings = stream_title(line, path), line.streams.get(path)
    if check == "missing":
        return AlarmText(f"{title}: no data", settings.instrument if settings else None)
    if check == "stuck":
        return AlarmText(f"{title}: does not move", settings.instrument if settings else None)
    if check in LIMIT_WORDS:
        window = next((w for w in recipe.window if w.stream == path), None) if recipe else None
        response = (window.low if check in ("LOLO", "LO") else window.high) if window else None
        return AlarmText(f"{title} {LIMIT_WORDS[check]} {format.limit(alarm.limit, alarm.unit)}", response)
    event = next((e for e in recipe.event_check if e.stream == path and e.name == check), None) if recipe else None
    return AlarmText(event_title(line, path, check), event.response if event else None)
