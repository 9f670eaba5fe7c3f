"""Texts of alarms and findings for display: titles, sentences, responses."""

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

LIMIT_WORDS = {"LOLO": "low-low", "LO": "low", "HI": "high", "HIHI": "high-high"}
ORDER = {"high": 3, "medium": 2, "low": 1}


def signed(act: Finding) -> str:
    """Name, reason and measured value."""
    measured = f" ({act.text})" if act.text else ""
    return f"{act.by}: {act.reason}{measured}" if act.reason else f"{act.by}{measured}"


@dataclass(frozen=True, slots=True)
class AlarmText:
    """Title and response of an alarm; `response` is None where the configuration no longer knows it."""

    title: str
    response: Response | None


def text_of(alarm: AlarmRow, configuration: Configuration) -> AlarmText:
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
        return AlarmText("Metre counter and line speed disagree", counter.instrument)
    if alarm.alarm == drum_names.NAME_USED:
        return AlarmText(drum_names.TITLE, drum_names.RESPONSE)
    if alarm.alarm == SILENCE_ALARM:
        return AlarmText("No data from this line", line.silence.response if line.silence else None)
    if station.startswith("cooling/"):
        cooling = recipe.cooling if recipe else None
        return AlarmText(cure_text(station, check, alarm.limit, alarm.unit), cooling.too_warm if cooling else None)
    if station.startswith("cure/"):
        return _cure_text(recipe, station, check, alarm)
    if station.endswith("/dwell"):
        return _dwell_text(line, recipe, station.split("/")[0], check, alarm)
    return _stream_text(line, recipe, station, check, alarm)


def _dwell_text(line: Line, recipe: Recipe | None, zone: str, check: str, alarm: AlarmRow) -> AlarmText:
    found = [d for d in recipe.dwell if d.zone == zone] if recipe else []
    response = (found[0].short if check == "short" else found[0].long) if found else None
    side = "below" if check == "short" else "above"
    limit = "" if alarm.limit is None else f" ({side} {format.limit(alarm.limit, 's')})"
    return AlarmText(f"Dwell in {inside(station_title(line, zone))} too {check}{limit}", response)


CURE = {
    ("cure/index-inner", "unverified"): "Cure not verified: no temperature data from an oven",
    ("cure/index-inner", "undercured"): "Insulation undercured at the conductor: cure index below",
    ("cure/index-inner", "scant"): "Cure marginal at the conductor: cure index below",
    ("cure/index-sheave", "soft"): "Surface soft at the first sheave: cure index below",
    ("cure/surface-peak", "overheated"): "Surface too hot: above",
    ("cure/degradation", "overheated"): "Too hot for too long: degradation index above",
    ("cooling/inside", "unverified"): "Cooling not verified: no water temperature data",
    ("cooling/inside", "too-warm"): "Insulation too warm at the capstan: inner temperature above",
}
FORESEEN = {
    "undercured": "Forecast: will be undercured",
    "overheated": "Overheated during a stop",
}


def cure_text(stream: str, check: str, limit: float | None, of_unit: str) -> str:
    """Text of a check of the cure."""
    if stream == "cure/forecast":
        return FORESEEN.get(check, check)
    text = CURE.get((stream, check), f"{stream} {check}")
    return f"{text} {format.limit(limit, of_unit)}" if limit is not None else text


def _cure_text(recipe: Recipe | None, stream: str, check: str, alarm: AlarmRow) -> AlarmText:
    cure = recipe.cure if recipe else None
    response = None if cure is None else cure.overheated if check == "overheated" else cure.undercured
    if stream != "cure/forecast":
        return AlarmText(cure_text(stream, check, alarm.limit, alarm.unit), response)
    if alarm.value is None:
        first = "The metres at risk cannot be recovered at any line speed."
    else:
        first = f"Reduce line speed to {format.number(alarm.value, 'm/min', 1)} m/min or below."
    if response is not None:
        response = response.model_copy(update={"corrective_action": f"{first} {response.corrective_action}"})
    return AlarmText("Forecast: cable now in the line will be undercured", response)


def _stream_text(line: Line, recipe: Recipe | None, path: str, check: str, alarm: AlarmRow) -> AlarmText:
    title, settings = stream_title(line, path), line.streams.get(path)
    if check == "missing":
        return AlarmText(f"{title}: no data", settings.instrument if settings else None)
    if check == "stuck":
        return AlarmText(f"{title}: reading frozen", settings.instrument if settings else None)
    if check in LIMIT_WORDS:
        window = next((w for w in recipe.window if w.stream == path), None) if recipe else None
        response = (window.low if check in ("LOLO", "LO") else window.high) if window else None
        return AlarmText(f"{title} {LIMIT_WORDS[check]} (limit {format.limit(alarm.limit, alarm.unit)})", response)
    event = next((e for e in recipe.event_check if e.stream == path and e.name == check), None) if recipe else None
    return AlarmText(event_title(line, path, check), event.response if event else None)


def suspended(why: str) -> str:
    """Text for a line of which nothing is stored at present."""
    return (
        "Nothing is stored or judged; the gateways keep the data. Watch the line by its own instruments, and see the "
        f"page Health. Tried again every minute. Reason: {why}"
    )


def unmonitored(line: str) -> str:
    """What is shown of a line that no monitor reports."""
    return (
        "No monitor reports this line: nothing of it is judged, its gateways keep the data. Watch the line by its own "
        f"instruments. Start a monitor that has it: everymetre monitor --lines {line}"
    )
