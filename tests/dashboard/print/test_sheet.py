"""The sheet of a drum's record: what its blocks say."""

from dataclasses import replace

import msgspec
import pytest

from dashboard.context import Context
from dashboard.pages.drum.layout import content
from dashboard.print.sheet import sheet_of
from monitor.contract.config.recipe import Exposure
from monitor.evidence.record_types import Decision, ReleaseRecord
from monitor.evidence.release_record import record
from monitor.evidence.whole_drum import whole_drum
from tests.dashboard.page_text import text_of
from tests.dashboard.test_speed_unit import WithSpeed


def by_rule(context: Context, exposure: Exposure | None) -> Context:
    """A recipe that names this rule for its spark tester of 0.5 m, passed at 230 m/min: 130 ms for each point."""
    recipe = context.configuration.recipes["core-2g5"]
    checks = [c.model_copy(update={"exposure": exposure}) if c.name == "spark-fault" else c for c in recipe.event_check]
    recipes = context.configuration.recipes | {"core-2g5": recipe.model_copy(update={"event_check": checks})}
    configuration = context.configuration.model_copy(update={"recipes": recipes})
    return replace(context, configuration=configuration, record=WithSpeed(configuration, context.clock))


@pytest.mark.parametrize(
    ("exposure", "suffices", "row", "page"),
    [
        (
            Exposure(rule="IEC 62230"),
            True,
            "50 ms by IEC 62230: met",
            "requires 0.050 s: met (at up to 600 m/min)",
        ),
        (Exposure(rule="UL 2556", frequency_Hz=50), False, "180 ms by UL 2556: not met", "requires 0.180 s: not met"),
        (None, None, "no rule in recipe", "0.130 s"),
    ],
)
def test_a_spark_test_says_whether_it_held_each_metre_long_enough(
    context: Context, exposure: Exposure | None, suffices: bool | None, row: str, page: str
) -> None:
    """F7: exposure is judged by the rule that the recipe names; too short a time stands against release."""
    other = by_rule(context, exposure)
    drum = other.record.drum_named("core-1", "1-1041")
    assert drum is not None
    found = record(other, whole_drum(other, drum))
    (test,) = found.evidence[0].spark_tests
    assert test.exposure_suffices is suffices
    assert any("held a metre for 130 ms" in reason for reason in found.against) is (suffices is False)
    (sparks,) = [b for b in sheet_of(other, found).tables if b.caption.startswith("Spark tests")]
    assert sparks.rows[0][-1] == row
    assert page in text_of(content(other, drum))


def signed(context: Context, *decisions: Decision) -> ReleaseRecord:
    drum = context.record.drum_named("core-1", "1-1041")
    assert drum is not None
    return msgspec.structs.replace(record(context, whole_drum(context, drum)), decisions=list(decisions))


def test_the_newest_decision_is_shown_first_with_its_signature(context: Context) -> None:
    """D6: the headline said hold although a release was signed."""
    first = Decision(decision="hold", by="Mira", reason="lump", t_ms=1_764_000_000_000)
    then = Decision(decision="release", by="Olle", reason="cut out", t_ms=1_764_000_060_000)
    found = signed(context, first, then)
    assert found.proposed == "hold"
    decided = sheet_of(context, found).decided
    assert decided.startswith("Decision: release, signed by Olle, ")
    assert "Reason: cut out." in decided
    assert "departs from the automatic proposal, which is hold" in decided
    assert "departs" not in sheet_of(context, signed(context, then, first)).decided


def test_without_a_signature_no_decision_is_shown(context: Context) -> None:
    assert sheet_of(context, signed(context)).decided == ""
