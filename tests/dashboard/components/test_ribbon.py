"""The ribbon as elements: each run where its metres are, and words for who cannot see it."""

from typing import Any

import pytest

from dashboard.components.ribbon import CLASS, in_words, legend, ribbon
from monitor.contract.record import Verdict
from monitor.evidence.verdict_runs import Run

GOOD, SUSPECT, UNVERIFIED, BAD = Verdict.CONFORMING, Verdict.SUSPECT, Verdict.UNVERIFIED, Verdict.NONCONFORMING
RUNS = [Run(0, 100, GOOD), Run(100, 150, SUSPECT), Run(150, 160, BAD), Run(160, 200, UNVERIFIED), Run(200, 201, BAD)]


def test_each_run_is_drawn_where_its_metres_are_on_the_scale_of_the_plan():
    wound, *drawn = ribbon(RUNS, 201.0, 400.0).children
    assert wound.style == {"width": "50.250%"}
    assert [(d.style["left"], d.style["width"]) for d in drawn[:3]] == [
        ("0.000%", "25.000%"), ("25.000%", "12.500%"), ("37.500%", "2.500%"),
    ]  # fmt: skip
    assert [d.className for d in drawn] == [CLASS[run.verdict] for run in RUNS]
    assert drawn[1].title == "suspect: 100 to 150 m"


def test_no_two_verdicts_look_the_same():
    assert len({CLASS[v] for v in Verdict}) == len(Verdict)


def test_the_words_name_the_gravest_first_and_leave_out_what_is_not_there():
    assert in_words(RUNS, 201.0) == "201 m wound; 11 m nonconforming, 50 m suspect, 40 m unverified"
    assert in_words([Run(0, 5, GOOD)], 5.0) == "5 m wound; no faults recorded"
    shown: Any = ribbon(RUNS, 201.0, None, size="tall")
    assert shown.to_plotly_json()["props"]["aria-label"] == in_words(RUNS, 201.0)
    assert (shown.role, shown.className) == ("img", "ribbon tall")
    usual: Any = ribbon(RUNS, 201.0, None)
    assert usual.className == "ribbon"


@pytest.mark.parametrize("metres", [None, {GOOD: 1.0, SUSPECT: 2.0, UNVERIFIED: 3.0, BAD: 4.0}])
def test_the_legend_names_every_verdict_with_its_own_key_and_metres(metres):
    items = legend(metres).children
    assert [item.children[0].className for item in items] == [
        "key nonconforming", "key suspect", "key unverified", "key conforming",
    ]  # fmt: skip
    words = [item.children[1].children for item in items]
    if metres is None:
        assert words == ["nonconforming", "suspect", "unverified", "conforming"]
    else:
        assert [(word.strip(), m.children) for word, m in words] == [
            ("nonconforming", "4 m"), ("suspect", "2 m"), ("unverified", "3 m"), ("conforming", "1 m"),
        ]  # fmt: skip
