"""How alarms, streams and drums are said to people: titles, sentences, responses."""

from dataclasses import dataclass

from dashboard.text import format
from monitor.contract import drum_names
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line, Response
from monitor.contract.config.recipe import Recipe
from monitor.contract.config.titles import event_title, inside, station_title, stream_title
from monitor.contract.reading import AlarmRow
from monitor.contract.record import SILENCE_ALARM, Finding
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
