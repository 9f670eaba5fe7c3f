"""Rows: each whole metre once and in order, verified only where a recipe was in force and a known drum holds it."""

from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.record import Floats, MetreRows, Verdict
from monitor.core.metre_rows import Rows
from tests.core.script import T0, configuration, decoded, pipeline
from tests.core.test_pipeline import core_line
from tests.shell.law_scripts import script

LINE, RECIPE = configuration().lines["core-1"], configuration().recipes["core-2g5"]


def rows_of(messages: list, size: int) -> list[MetreRows]:
    engine, out = pipeline(), []
    for i in range(0, len(messages), size):
        out += engine.feed(messages[i : i + size])
    return [o for o in out if isinstance(o, MetreRows)]


@pytest.fixture(scope="module")
def messages() -> list:
    return decoded(core_line(90).sorted())


def test_each_metre_is_given_out_once_and_in_order_however_the_arrivals_are_cut(messages):
    few, many = rows_of(messages, 700), rows_of(messages, 60)
    assert len(few) < len(many)
    for rows in (few, many):
        ends = [one.first_m + len(one) for one in rows]
        assert [one.first_m for one in rows[1:]] == ends[:-1]
    size = min(sum(map(len, few)), sum(map(len, many)))
    verdicts = [np.concatenate([one.verdict for one in rows])[:size] for rows in (few, many)]
    assert np.array_equal(verdicts[0], verdicts[1])
    assert (verdicts[0] == Verdict.CONFORMING).any()


def test_times_without_a_recipe_end_where_one_comes_into_force():
    rows = Rows(LINE)
    rows.judge_by(None, RECIPE, 100.0)
    rows.judge_by(RECIPE, RECIPE, 150.0)
    rows.judge_by(RECIPE, None, 200.0)
    assert rows.without_recipe == [(-np.inf, 100.0), (200.0, np.inf)]
    rows.forget_before(150.0)
    assert rows.without_recipe == [(200.0, np.inf)]


def test_no_metre_is_verified_that_no_drum_of_a_known_recipe_holds():
    messages = [m for m in decoded(core_line(60).sorted()) if m.stream.quantity != "drum"]
    rows = rows_of(messages, 300)
    assert sum(map(len, rows)) > 50
    assert {int(v) for one in rows for v in one.verdict} == {int(Verdict.UNVERIFIED)}
    assert messages[0].t_s >= T0


@pytest.mark.parametrize("line", ["fire-1", "rewind-1"])
@settings(max_examples=5)
@given(seed=st.integers(0, 3), share=st.sampled_from([0.0, 0.001, 0.02, 0.3]))
def test_rows_of_hours_do_not_depend_on_how_the_arrivals_are_cut(line, seed, share):
    """A specimen hangs in the flame behind the take-up: its rows are given out when it is taken off."""
    messages = decoded(script(line, seed))
    cuts = np.flatnonzero(np.random.default_rng(seed).random(len(messages)) < share).tolist()
    one_by_one: list[MetreRows] = []
    engine = pipeline(line)
    for a, b in pairwise([0, *cuts, len(messages)]):
        one_by_one += [o for o in engine.feed(messages[a:b]) if isinstance(o, MetreRows)]
    whole = [o for o in pipeline(line).feed(messages) if isinstance(o, MetreRows)]
    for rows in (whole, one_by_one):
        assert [one.first_m for one in rows[1:]] == [one.first_m + len(one) for one in rows[:-1]]
    assert whole[0].columns.keys() == one_by_one[0].columns.keys()
    columns: list[Callable[[MetreRows], Any]] = [partial(_column, name) for name in whole[0].columns]
    for values in (lambda one: one.verdict, *columns):
        expected, got = (np.concatenate([values(one) for one in rows]) for rows in (whole, one_by_one))
        assert np.array_equal(got, expected, equal_nan=True)


def _column(name: str, rows: MetreRows) -> Floats:
    return rows.columns[name]
