"""Figures of recurrence as data: no peak is lost, and what keeps a period stands in a column."""

import numpy as np

from dashboard.figures.recurrence import score_figure


def test_scores_keep_every_peak_when_thinned():
    period = np.geomspace(0.4, 20, 200_000)
    score = np.zeros(len(period))
    score[123_456] = 77.0
    figure = score_figure(period, score, 10.0, None, [("Wheel", 2.5)], "m", "score")
    assert max(figure.data[0].y) == 77.0
    assert len(figure.data[0].y) <= 4000


def test_what_stands_under_the_pointer_has_groups_and_no_false_zero():
    (curve,) = score_figure(np.array([1234.5, 0.25]), np.array([2.0, 1e-4]), 1.0, None, [], "m", "score").data
    assert list(curve.customdata) == ["0.25 m: 0.0001", "1\u202f234 m: 2"]  # by period
