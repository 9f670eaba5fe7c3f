"""The table of kinds of events: what it names, and what is refused of a line's own kinds."""

import pytest
from pydantic import ValidationError

from monitor.contract.config.alarms import alarms_of
from monitor.contract.config.events import DEFAULT_KINDS, EventKind
from monitor.contract.config.load import ConfigurationError, parse, read_folder
from tests.core.script import CONFIGS, configuration

LAST = DEFAULT_KINDS[-1]


def kind_of(alarm: str) -> str:
    return next(k.name for k in DEFAULT_KINDS if k.is_cause(alarm))


@pytest.mark.parametrize(
    ("alarm", "kind"),
    [
        ("cold-gauge/diameter-x/HIHI", "thick-place"), ("hot-gauge/diameter/LO", "thin-place"),
        ("oven-b/temperature/LOLO", "zone-excursion"), ("oven-b/temperature/missing", "instrument"),
        ("cold-gauge/diameter-y/stuck", "instrument"), ("line/counter/fault", "instrument"),
        ("spark-a/spark-fault/spark-fault", "insulation-fault"), ("tape-head/tape-break/tape-break", "tape-break"),
        ("line/gateway/silent", "silent-line"), ("metre-counter/speed/LO", "slow-line"),
        ("metre-counter/speed/HI", "fast-line"), ("cure/index-inner/scant", "cure"), ("oven-a/dwell/long", "cure"),
        ("head/pressure/HI", "other"), ("monitor/store/fault", "monitor"), ("line/drum/name-used", "other"),
    ],
)  # fmt: skip
def test_each_alarm_has_its_kind(alarm, kind):
    assert kind_of(alarm) == kind


def test_every_alarm_of_every_line_has_a_kind():
    c = configuration()
    alarms = {a for line in c.lines for a in alarms_of(c.lines[line], c.recipes_for(line).values())}
    assert len(alarms) > 100
    assert all(any(k.is_cause(a) for k in DEFAULT_KINDS) for a in alarms)
    assert LAST.is_cause("any/thing/whatever")


@pytest.mark.parametrize(
    "wrong",
    [
        {"same": "cable", "causes": ["a/b/c"], "guard_s": 1.0}, {"same": "station", "causes": ["a/b/c"]},
        {"same": "station", "causes": [], "guard_s": 1.0}, {"same": "stop"},
        {"same": "stop", "effects": ["a/b/c"], "guard_s": 1.0},
        {"same": "stop", "effects": ["a/b/c"], "causes": ["a/b/d"]},
        {"same": "station", "causes": ["a/b/c"], "guard_s": 1.0, "guard_m": 1.0},
        {"same": "station", "causes": ["a/b"], "guard_s": 1.0}, {"same": "works", "causes": ["a/b/c"], "guard_s": 1.0},
    ],
)  # fmt: skip
def test_a_kind_that_does_not_hang_together_is_refused(wrong):
    with pytest.raises(ValidationError):
        EventKind(name="own", title="Own kind", **wrong)


OWN = """
[[event_kind]]
name = "{name}"
title = "Pressure wave"
causes = ["{cause}"]
same = "stream"
guard_s = 30.0
"""


def faults(**words: str) -> list[str]:
    files = read_folder(CONFIGS)
    files["lines/core-1.toml"] += OWN.format(**({"name": "pressure-wave", "cause": "head/pressure/HI"} | words))
    try:
        parse(files)
    except ConfigurationError as error:
        return [str(f) for f in error.faults]
    return []


def test_a_line_may_have_kinds_of_its_own_and_they_come_first():
    assert faults() == []
    own = EventKind(name="own", title="Own kind", causes=["head/pressure/HI"], same="stream", guard_s=30.0)
    line = configuration().lines["core-1"].model_copy(update={"event_kind": [own]})
    assert next(k.name for k in line.event_kinds if k.is_cause("head/pressure/HI")) == "own"


def test_a_kind_of_an_alarm_that_the_line_does_not_raise_is_named_with_file_and_key():
    (fault,) = faults(cause="head/presure/HI")
    assert fault.startswith("lines/core-1.toml: event_kind[1].causes: line core-1 raises no alarm 'head/presure/HI'.")
    assert fault.endswith("Did you mean 'head/pressure/HI'?")


def test_a_name_that_is_taken_is_refused():
    (fault,) = faults(name="stop")
    assert "event_kind 'stop' occurs more than once" in fault
