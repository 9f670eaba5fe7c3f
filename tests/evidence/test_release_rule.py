"""What is proposed for a drum: release only where nothing is missing, and each thing against it is named."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.record import Verdict
from monitor.evidence.release_rule import LEAST_M, coverage, propose, unanswered

GOOD, BAD = Verdict.CONFORMING.word, Verdict.NONCONFORMING.word
SOUND: dict[str, Any] = {
    "ended": True, "length_m": 100.0, "metres": {GOOD: 100.0}, "seen": {"cold-gauge/diameter-x": 1.0},
    "standing": 0, "cure_known": True,
}  # fmt: skip


def test_a_drum_with_all_its_evidence_may_be_released():
    assert propose(**SOUND).word == "may be released"
    assert propose(**SOUND).reasons == ()


@pytest.mark.parametrize(
    "change",
    [
        {"ended": False},
        {"metres": {GOOD: 100.0 - 2 * LEAST_M}},
        {"metres": {GOOD: 99.0, BAD: 1.0}},
        {"metres": {GOOD: 99.0, Verdict.SUSPECT.word: 1.0}},
        {"metres": {GOOD: 99.0, Verdict.UNVERIFIED.word: 1.0}},
        {"seen": {"cold-gauge/diameter-x": 1.0, "spark-electrode/voltage": 0.999}},
        {"standing": 1},
        {"cure_known": False},
        {"others": ("a specimen of its family failed",)},
    ],
    ids=lambda change: next(iter(change)),
)
def test_each_thing_that_is_missing_holds_it_and_is_named_alone(change):
    found = propose(**(SOUND | change))
    assert found.word == "hold"
    assert len(found.reasons) == 1


def test_what_is_shorter_than_the_counter_can_tell_is_not_missing():
    assert propose(**(SOUND | {"metres": {GOOD: 100.0 - LEAST_M / 2}})).word == "may be released"


@given(
    metres=st.dictionaries(st.sampled_from([v.word for v in Verdict]), st.floats(0, 200)),
    seen=st.dictionaries(st.sampled_from(["a/b", "c/d"]), st.floats(0, 1)),
    standing=st.integers(0, 3),
    ended=st.booleans(),
    cure_known=st.booleans(),
)
def test_release_is_proposed_only_with_all_evidence(metres, seen, standing, ended, cure_known):
    found = propose(ended, 100.0, metres, seen, standing, cure_known)
    if found.word == "may be released":
        assert ended
        assert cure_known
        assert standing == 0
        assert sum(metres.values()) >= 100.0 - LEAST_M
        assert all(metres.get(v.word, 0.0) == 0 for v in Verdict if v is not Verdict.CONFORMING)
        assert all(share == 1.0 for share in seen.values())
    else:
        assert found.reasons


def test_coverage_is_the_share_of_metres_with_a_value():
    columns = {"a/b": np.array([1.0, np.nan, 3.0, 4.0]), "empty/one": np.empty(0)}
    assert coverage(columns, ["a/b", "c/d", "empty/one"]) == {"a/b": 0.75, "c/d": 0.0, "empty/one": 0.0}


def test_what_stands_against_release_is_written_with_its_length_share_and_number():
    found = propose(**(SOUND | {
        "metres": {GOOD: 90.0, BAD: 1.26, Verdict.SUSPECT.word: 2.5}, "seen": {"a/b": 0.98765}, "standing": 1,
        "others": ["2 alarms"],
    }))  # fmt: skip
    assert found.reasons == (
        "no data yet for 6.2 m", "1.3 m nonconforming", "2.5 m suspect", "a/b has data for 98.8 % of the length",
        "1 alarm during winding of this drum is unacknowledged", "2 alarms",
    )  # fmt: skip
    assert unanswered(2, "S-1") == "2 alarms during winding of S-1 are unacknowledged"
