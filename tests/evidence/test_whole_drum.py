"""One drum as one value: whatever is in it counts from the drum's own start and stays within its ends."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.record import FindingKind, Verdict
from monitor.evidence.inherited import whole_runs
from monitor.evidence.source import EvidenceSource, drum_meant, length_m
from monitor.evidence.whole_drum import WholeDrum, on_drum, whole_drum
from tests.core import script
from tests.dashboard.conftest import clock, configuration, record  # noqa: F401  # fixtures
from tests.dashboard.fake_record import FakeRecord, drum_with

METRE = st.floats(0, 9000)


@pytest.fixture
def source(record: FakeRecord) -> EvidenceSource:  # noqa: F811
    return EvidenceSource(record, record.configuration, record.clock)


@pytest.fixture
def drum(source: EvidenceSource) -> WholeDrum:
    row = drum_meant(source, "core-1", name="1-1041")
    assert row is not None
    return whole_drum(source, row)


@given(METRE, st.one_of(st.none(), METRE), METRE, st.floats(0, 5000))
def test_f3_findings_stay_on_the_drum_whichever_end_is_counted_from(
    start_m: float, end_m: float | None, drum_start_m: float, length: float
) -> None:
    (found,) = on_drum([script.finding(start_m, end_m, FindingKind.FAULT)], drum_start_m, length)
    assert 0.0 <= found.start_m <= found.end_m <= max(found.start_m, length)
    assert found.outer_start_m == length - found.end_m
    assert found.outer_end_m == length - found.start_m
    assert end_m is not None or found.end_m == max(length, found.start_m)


def test_f3_everything_of_a_drum_is_in_its_own_metres(source: EvidenceSource, drum: WholeDrum) -> None:
    assert drum.length_m == length_m(source, drum.row)
    assert list(drum.runs) == whole_runs(source, drum.row, drum.length_m)
    assert len(drum.metre_m) == len(drum.columns["line_metre"]) > 1000
    assert np.array_equal(drum.metre_m + drum.row.start_m, drum.columns["line_metre"])
    own = source.record.findings("core-1", drum.row.start_m, drum.row.start_m + drum.length_m)
    assert [f.finding for f in drum.findings] == list(own) != []
    assert drum.row in drum.named_alike


def test_what_is_reported_of_the_whole_drum_is_no_finding_of_its_metres(drum: WholeDrum) -> None:
    decision = script.finding(0.0, 100.0, FindingKind.DECISION, verdict=Verdict.CONFORMING)
    resistance = script.finding(0.0, 100.0, FindingKind.RESISTANCE, verdict=Verdict.NONCONFORMING)
    found = drum_with(drum.line, None, [decision, resistance]).of_metres()
    assert [f.finding for f in found] == [resistance]
