"""A13: a works whose speeds come in m/s has the same pages as one in m/min."""

from dataclasses import replace
from typing import Any

import pytest

from dashboard.context import Context
from dashboard.pages.limits import layout as limits
from dashboard.pages.what_if import layout as what_if
from monitor.evidence.release_record import record as release_record
from monitor.evidence.whole_drum import whole_drum
from tests.core.script import in_m_per_s
from tests.dashboard.fake_record import FakeRecord
from tests.dashboard.page_text import text_of

SPEED = "metre-counter/speed"


class WithSpeed(FakeRecord):
    """Rows of the speed as the line ran, in m/min."""

    def rows(self, *asked: Any) -> Any:
        found = dict(super().rows(*asked))
        return found | {SPEED: found["line_metre"] * 0.0 + 230.0}


class WithSpeedInMPerS(WithSpeed):
    def rows(self, *asked: Any) -> Any:
        found = dict(super().rows(*asked))
        return found | {SPEED: found[SPEED] / 60.0}


def both(context: Context) -> tuple[Context, Context]:
    slow = in_m_per_s(context.configuration)
    return (
        replace(context, record=WithSpeed(context.configuration, context.clock)),
        replace(context, configuration=slow, record=WithSpeedInMPerS(slow, context.clock)),
    )


def test_what_if_answers_the_same(context: Context) -> None:
    recipe = context.configuration.recipes["core-2g5"]
    typed: dict[str, Any] = {"speed": 230, "film": 1, "stop": 60, "slows": 8, "restarts": 12}
    typed |= {zone: recipe.setpoints.zone_C[zone] for zone in ("shock-oven", "oven-a", "oven-b")}
    plain, other = (text_of(what_if.answer(c, "core-1", "core-2g5", typed)) for c in both(context))
    assert plain == other


def test_exposure_on_the_release_record_is_the_same(context: Context) -> None:
    held = []
    for c in both(context):
        drum = c.record.drum_named("core-1", "1-1041")
        assert drum is not None
        (test,) = release_record(c, whole_drum(c, drum)).evidence[0].spark_tests
        held.append(test.exposure_least_s)
    electrode = context.configuration.lines["core-1"].stations["spark-electrode"]
    assert electrode.end_m is not None
    assert held == [pytest.approx((electrode.end_m - electrode.position_m) / (230.0 / 60.0))] * 2


def test_limits_of_the_speed_stand_in_its_own_unit(context: Context) -> None:
    line, key = "core-1", f"window/{SPEED}"
    shown = [text_of(limits.fields(c, line, c.configuration.recipes["core-2g5"], key, {})) for c in both(context)]
    assert "245" in shown[0]
    assert "4.083333333" in shown[1]
