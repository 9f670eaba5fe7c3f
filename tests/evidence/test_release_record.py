"""The release record of a drum: each thing against release is counted from the evidence that it is about."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from monitor.contract.config.configuration import Configuration
from monitor.contract.drum_names import NAME_USED
from monitor.contract.reading import AlarmRow
from monitor.contract.record import FillingKey, Finding, FindingKind, Verdict
from monitor.evidence.record_types import ReleaseRecord
from monitor.evidence.release_record import ANSWERED_WITHIN_MS, record
from monitor.evidence.source import EvidenceSource, drum_meant
from monitor.evidence.verdict_runs import lengths_m
from monitor.evidence.whole_drum import WholeDrum, on_drum, whole_drum
from tests.core import script
from tests.dashboard.conftest import clock, configuration  # noqa: F401  # fixtures
from tests.dashboard.fake_record import FakeRecord, some_alarms


@pytest.fixture
def asked(configuration: Configuration, clock: Callable[[], float]) -> EvidenceSource:  # noqa: F811
    fake = FakeRecord(configuration, clock)
    fake.alarms = [a for a in some_alarms(clock()) if a.line == "core-2"]
    return EvidenceSource(fake, configuration, clock)


@pytest.fixture
def drum(asked: EvidenceSource) -> WholeDrum:
    row = drum_meant(asked, "core-1", name="1-1041")
    assert row is not None
    return whole_drum(asked, row)


def with_findings(drum: WholeDrum, *findings: Finding) -> WholeDrum:
    return replace(drum, findings=tuple(on_drum(findings, drum.row.start_m, drum.length_m)))


def alarm(
    drum: WholeDrum, event: str, t_ms: int, raised_ms: int, by: str = "", name: str = "head/pressure/HI"
) -> AlarmRow:
    return AlarmRow(
        line="core-1", alarm=name, occurrence_ms=raised_ms, t_ms=t_ms, event=event, state="x", priority="low",
        value=None, limit=None, unit="", line_metre=None, recipe=None, revision=None, by=by, reason="why",
        until_ms=None,
    )  # fmt: skip


def test_lengths_and_places_are_those_of_the_drum(asked, drum):
    found = record(asked, drum)
    assert (found.drum, found.filling, found.line, found.recipe) == ("1-1041", drum.row.filling, "core-1", "core-2g5")
    assert found.metres == {v.word: m for v, m in lengths_m(drum.runs).items()}
    assert (found.start_line_metre, found.end_line_metre) == (drum.row.start_m, drum.row.end_m)
    assert [f.verdict for f in found.findings] == [f.finding.verdict.word for f in drum.findings]
    for placed, own in zip(found.findings, drum.findings, strict=True):
        assert (placed.start_m, placed.end_m) == (own.start_m, own.end_m)
    assert (found.proposed, bool(found.against)) == ("hold", True)
    assert found.journal_last_hash == "ab" * 32


def test_statistics_are_of_the_metres_with_data(asked, drum):
    v = drum.columns["cold-gauge/diameter-x"].copy()
    v[:100] = np.nan
    (own,) = record(asked, replace(drum, columns=dict(drum.columns) | {"cold-gauge/diameter-x": v})).evidence
    found = own.statistics["cold-gauge/diameter-x"]
    assert found is not None
    good = v[100:]
    good = good[np.isfinite(good)]
    assert (found.least, found.most) == (good.min(), good.max())
    assert (found.mean, found.sigma) == (pytest.approx(good.mean()), pytest.approx(good.std()))
    assert own.seen_share["cold-gauge/diameter-x"] == pytest.approx(np.isfinite(v).mean())
    empty = dict(drum.columns) | {"cold-gauge/diameter-x": np.full(len(v), np.nan)}
    (own,) = record(asked, replace(drum, columns=empty)).evidence
    assert own.statistics["cold-gauge/diameter-x"] is None


def test_cure_is_known_only_where_every_metre_has_an_index(asked, drum):
    def known(inner: np.ndarray | None) -> bool:
        columns = dict(drum.columns) | ({} if inner is None else {"cure/index-inner": inner})
        found = record(asked, replace(drum, columns=columns))
        assert ("the cure is not known over the whole length" in found.against) is not found.evidence[0].cure_known
        return found.evidence[0].cure_known

    count = len(drum.metre_m)
    assert not known(None)
    assert known(np.ones(count))
    assert not known(np.array([1.0] * (count - 1) + [np.nan]))
    assert not known(np.empty(0))


def test_an_alarm_of_the_winding_stands_against_release_until_its_own_raising_is_answered(asked, drum):
    begun, ended = drum.row.start_ms, drum.row.end_ms
    assert ended is not None
    log = asked.record.alarms
    log += [alarm(drum, "raised", begun + 1, begun + 1), alarm(drum, "raised", begun + 9, begun + 9)]
    log += [alarm(drum, "acknowledge", begun + 5, begun + 1, "Mira")]
    log += [alarm(drum, "raised", begun - 1, begun - 1), alarm(drum, "raised", ended + 1, ended + 1)]  # of other drums
    log += [alarm(drum, "raised", begun + 2, begun + 2, name=NAME_USED)]  # it says nothing of the cable
    found = record(asked, drum)
    assert (found.evidence[0].alarms.raised, found.evidence[0].alarms.not_answered) == (2, 1)
    assert "1 alarm during winding of this drum is unacknowledged" in found.against
    assert [(a.event, a.by, a.t_ms) for a in found.evidence[0].answers] == [("acknowledge", "Mira", begun + 5)]


@pytest.mark.parametrize(("after_ms", "open_"), [(ANSWERED_WITHIN_MS, 0), (ANSWERED_WITHIN_MS + 1, 1)])
def test_an_answer_counts_for_a_day_after_the_drum_ended(asked, drum, after_ms, open_):
    begun, ended = drum.row.start_ms, drum.row.end_ms
    assert ended is not None
    late = ended + after_ms
    asked.record.alarms += [alarm(drum, "raised", begun, begun), alarm(drum, "acknowledge", late, begun, "Olle")]
    assert record(asked, drum).evidence[0].alarms.not_answered == open_


def measured(extreme: float, start_s: float, verdict: Verdict = Verdict.CONFORMING) -> Finding:
    more = {"verdict": verdict, "start_s": start_s, "extreme": extreme, "limit": 7.41, "by": "Olle", "text": "0.7 ohm"}
    return script.finding(20_000.0, 24_000.0, FindingKind.RESISTANCE, **more)


def test_the_newest_resistance_counts(asked, drum):
    found = record(asked, with_findings(drum, measured(7.3, 9.0), measured(8.123, 5.0, Verdict.NONCONFORMING)))
    assert found.resistance is not None
    assert (found.resistance.ohm_per_km_at_20_C, found.resistance.t_ms, found.resistance.most) == (7.3, 9000, 7.41)
    assert not [reason for reason in found.against if "ohm" in reason]
    found = record(asked, with_findings(drum, measured(7.3, 5.0), measured(8.123, 9.0, Verdict.NONCONFORMING)))
    assert "the conductor has 8.12 ohm/km, allowed 7.41" in found.against


def test_a_resistance_that_is_required_and_not_measured_is_named(asked, drum):
    reel = script.configuration().recipes["reel-2x2g5"]
    assert reel.conductor is not None
    for required in (True, False):
        conductor = reel.conductor.model_copy(update={"required": required})
        recipe = drum.recipe.model_copy(update={"conductor": conductor})
        found = record(asked, with_findings(replace(drum, recipe=recipe)))
        assert found.resistance is None
        assert ("the conductor's resistance was not measured" in found.against) is required


def test_decisions_are_listed_oldest_first_and_change_nothing_that_was_proposed(asked, drum):
    def signed(check: str, start_s: float) -> Finding:
        more = {"check": check, "verdict": Verdict.CONFORMING, "start_s": start_s, "by": "Mira", "reason": "seen"}
        return script.finding(20_000.0, 24_000.0, FindingKind.DECISION, **more)

    without = record(asked, with_findings(drum))
    found = record(asked, with_findings(drum, signed("release", 9.0), signed("hold", 5.0)))
    assert [(d.decision, d.by, d.t_ms) for d in found.decisions] == [("hold", "Mira", 5000), ("release", "Mira", 9000)]
    assert (found.proposed, found.against) == (without.proposed, without.against)


def test_a_name_that_came_back_says_which_filling_this_is(asked, drum):
    earlier = replace(drum.row, filling=0, line="core-2")
    found: ReleaseRecord = record(asked, replace(drum, named_alike=(earlier, drum.row)))
    assert found.filling_of_drum == (2, 2)
    assert record(asked, replace(drum, named_alike=())).filling_of_drum == (1, 1)
    assert drum.row.key == FillingKey("core-1", drum.row.filling, "1-1041")
