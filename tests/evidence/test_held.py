"""Reasons to hold a drum whose metres are all conforming; the whole cable's are in `scenarios/test_whole_cable.py`."""

from dataclasses import replace

import pytest

from monitor.contract.config.recipe import Conductor
from monitor.contract.reading import DrumRow
from monitor.contract.record import FindingKind, Splice, Verdict
from monitor.evidence.held import reasons_beside_metres
from monitor.evidence.source import EvidenceSource
from tests.core.script import finding
from tests.dashboard.conftest import clock, configuration, record  # noqa: F401  # fixtures
from tests.dashboard.fake_record import FakeRecord


@pytest.fixture
def asked(record: FakeRecord) -> EvidenceSource:  # noqa: F811
    """Two core lines without an alarm, on which each drum's conductor must be measured."""
    record.alarms = [replace(record.alarms[0], event="returned", state="normal", by="")]
    c = record.configuration
    ohms = Conductor(section_mm2=2.5, conductor_class=2, required=True)
    recipes = {name: recipe.model_copy(update={"conductor": ohms}) for name, recipe in c.recipes.items()}
    return EvidenceSource(record, c.model_copy(update={"recipes": recipes}), record.clock)


@pytest.fixture
def drum(asked: EvidenceSource) -> DrumRow:
    return next(d for d in asked.record.drums("core-1") if d.end_m is not None)


UNMEASURED = "the conductor's resistance was not measured"


def test_a_resistance_that_is_missing_or_too_high_holds_a_drum(asked, record, drum, monkeypatch):  # noqa: F811
    assert reasons_beside_metres(asked, [drum]) == [[UNMEASURED]]
    span = (drum.start_m, drum.end_m)
    for ohm_per_km, verdict, reasons in (
        (7.41, Verdict.CONFORMING, []),
        (7.9, Verdict.NONCONFORMING, ["the conductor has 7.9 ohm/km, allowed 7.41"]),
    ):
        measured = finding(*span, FindingKind.RESISTANCE, verdict=verdict, extreme=ohm_per_km, limit=7.41)
        monkeypatch.setattr(record, "findings_of_kind", lambda *_, measured=measured: [measured])
        assert reasons_beside_metres(asked, [drum]) == [reasons]


def test_alarms_of_its_winding_hold_a_drum_until_each_is_acknowledged(asked, record, drum):  # noqa: F811
    raised = replace(
        record.alarms[0], line="core-1", alarm="head/pressure/HI", event="raised", state="unacknowledged",
        t_ms=drum.start_ms + 1000, occurrence_ms=drum.start_ms + 1000, by="",
    )  # fmt: skip
    record.alarms.append(raised)
    [reasons] = reasons_beside_metres(asked, [drum])
    assert reasons == [UNMEASURED, "1 alarm during winding of this drum is unacknowledged"]
    record.alarms.append(replace(raised, event="acknowledge", state="acknowledged", t_ms=raised.t_ms + 1, by="Mira"))
    assert reasons_beside_metres(asked, [drum]) == [[UNMEASURED]]


def test_cable_of_unknown_origin_holds_a_drum(asked, record, drum):  # noqa: F811
    c = asked.configuration
    line = c.lines["core-1"].model_copy(update={"pay_off": ["pay-off"]})
    of = replace(asked, configuration=c.model_copy(update={"lines": dict(c.lines) | {"core-1": line}}))
    [reasons] = reasons_beside_metres(of, [drum])
    assert reasons[0].startswith("what went in at pay-off for ")
    assert reasons[0].endswith(" m is not on record")
    record.put_on.append(
        Splice(
            line="core-1",
            position="pay-off",
            drum="W1-0001",
            t_s=drum.start_ms / 1e3,
            line_metre=drum.start_m - 10.0,
            left_m=1e6,
        )
    )
    assert reasons_beside_metres(of, [drum]) == [[UNMEASURED]]


def test_each_of_many_drums_has_its_own_reasons(asked, drum):
    wound = [d for d in asked.record.drums(None, 100) if d.end_m is not None]
    assert len(wound) > 2
    assert reasons_beside_metres(asked, wound) == [[UNMEASURED]] * len(wound)
