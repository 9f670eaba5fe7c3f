"""The page Trends: spans in local time, and how much a chart holds."""

from dashboard.pages.trend import layout as trend
from tests.dashboard.conftest import NOW_S

NOW_MS = round(NOW_S * 1e3)


def test_long_trend_says_how_much_it_holds(context):
    asked = trend.TrendRequest("core-1", ("metre-counter/speed",), NOW_MS - 3_600_000, NOW_MS)
    chart, said = trend.answer(context, asked)
    assert "30\u202f500 samples" in said
    assert "CET" in said
    assert len(chart.children.figure.data[0].x) <= trend.POINTS + 5


def test_a_span_is_local_time_and_must_make_sense(context):
    assert trend.span_ms(context, "1 h", None, None) == (NOW_MS - 3_600_000, NOW_MS)
    span = trend.span_ms(context, "custom", "2025-07-01 06:00", "2025-07-01 14:00:00")
    assert span == (1_751_342_400_000, 1_751_342_400_000 + 8 * 3_600_000)
    assert "Choose" in trend.span_ms(context, "custom", None, "2025-07-01 14:00")
    assert "The end time must be after" in trend.span_ms(context, "custom", "2025-07-02", "2025-07-01")
