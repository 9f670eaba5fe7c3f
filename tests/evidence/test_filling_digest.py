"""The digest of a filling: of what is known, not of how it is held; any change of a value changes it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

from monitor.contract.record import Finding, FindingKind, Verdict
from monitor.evidence.filling_digest import filling_digest
from tests.store.test_events import asking, event

FINDING = Finding(
    line="core-1", key="s@1", kind=FindingKind.FAULT, stream="s", check="spark-fault", verdict=Verdict.NONCONFORMING,
    start_m=3.0, end_m=4.0, start_s=1.0, end_s=1.5, extreme=None, limit=None, unit="",
)  # fmt: skip
COLUMNS = st.dictionaries(st.text(max_size=5), st.lists(st.floats(), min_size=3, max_size=3), min_size=1, max_size=4)
SOUND = np.zeros(3, dtype=np.int8)


def of(
    columns: Mapping[str, ArrayLike], verdicts: NDArray[np.int8] = SOUND, findings: Sequence[Finding] = (FINDING,)
) -> str:
    return filling_digest({n: np.array(v, dtype=float) for n, v in columns.items()}, verdicts, findings, [], [])


def test_an_event_that_began_in_it_counts_whatever_became_of_it():
    digests = [filling_digest({}, SOUND, [], [], events) for events in ([], [event(1.0)], [event(2.0)])]
    assert len(set(digests)) == 3
    assert filling_digest({}, SOUND, [], [], [asking(event(1.0))]) == digests[1]


def test_it_stays_as_computed():
    """Golden bytes: digests are written into records, so their bytes never change."""
    assert of({"a": [1.0, float("nan"), -0.0]}, findings=()).startswith("5aa667db71cf64d7")


@given(COLUMNS)
def test_order_and_the_bits_of_nan_and_zero_do_not_matter(columns):
    other = {name: np.array(columns[name]) for name in reversed(columns)}
    for values in other.values():
        values[np.isnan(values)] = -np.nan
        values[values == 0.0] = -0.0
    two = [FINDING, replace(FINDING, key="other")]
    assert of(columns, findings=two) == of(other, findings=two[::-1])


@given(COLUMNS, st.data())
def test_any_change_of_a_value_changes_it(columns, data):
    name, at = data.draw(st.sampled_from(sorted(columns))), data.draw(st.integers(0, 2))
    value = columns[name][at]
    changed = data.draw(st.floats().filter(lambda x: not (x == value or (np.isnan(x) and np.isnan(value)))))
    other = {n: list(v) for n, v in columns.items()}
    other[name][at] = changed
    assert of(columns) != of(other)


def test_verdicts_findings_and_names_count():
    base = {"a": [1.0, 2.0, 3.0], "b": [1.0, 2.0, 3.0]}
    renamed = {"a": base["a"], "c": base["b"]}
    digests = {
        of(base),
        of(renamed),
        of({"a": base["a"]}),
        of(base, np.array([0, 1, 0], dtype=np.int8)),
        of(base, findings=()),
        of(base, findings=(FINDING, FINDING)),
        of(base, findings=(replace(FINDING, end_m=4.5),)),
    }
    assert len(digests) == 7
