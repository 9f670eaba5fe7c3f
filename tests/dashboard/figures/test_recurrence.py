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
