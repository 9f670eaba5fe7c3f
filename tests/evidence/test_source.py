"""What evidence is asked of: which recipe judged a drum, how much is on it, and which drum a name means."""

from dataclasses import replace

import pytest

from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import NowRow, RevisionRow
from monitor.evidence.source import drum_meant, length_m, named_alike, wound_m
from tests.core.script import configuration
from tests.evidence.made import REELS, SHEATHED, SPECIMEN, SmallRecord, drum, source

LINE = "sheath-1"
RECIPE = configuration().recipes["cable-2x2g5"]


def revision(n: int) -> Recipe:
    return RECIPE.model_copy(update={"revision": n, "title": f"as of {n}"})


def came(n: int, t_ms: int = 1) -> RevisionRow:
    return RevisionRow(
        line=LINE, recipe=revision(n), t_ms=t_ms, line_metre=0.0, by="Mira", approved_by="Olle", reason="", changes={}
    )


def now(filling: int | None, line_metre: float, recipe: str | None = None) -> NowRow:
    return NowRow(
        line=LINE, t_ms=0, state="running", speed_m_per_s=1.0, line_metre=line_metre, drum=None, filling=filling,
        recipe=recipe, drum_start_m=None, planned_length_m=None, extra={},
    )  # fmt: skip


def test_a_revision_is_found_wherever_it_is_on_record():
    """In force on the line, taken from a file, or in the configuration now; else what is in force."""
    asked = source(SmallRecord(came=[came(3, 30), came(2, 20)], files=[revision(4)]))
    for n in (2, 3, 4):
        found = asked.recipe(LINE, RECIPE.recipe, n)
        assert found is not None
        assert (found.revision, found.title) == (n, f"as of {n}")
    assert asked.recipe(LINE, RECIPE.recipe, RECIPE.revision) == RECIPE
    assert asked.recipe(LINE, RECIPE.recipe, 99) == revision(3)
    assert asked.recipe(LINE, RECIPE.recipe) == revision(3)
    assert asked.recipe("rewind-1", RECIPE.recipe, 2) is None  # another line's
    assert asked.recipe(LINE, None) is None


def test_the_recipe_now_is_that_of_the_drum_or_the_only_one():
    record = SmallRecord(now=[now(1, 0.0, RECIPE.recipe)])
    assert source(record).recipe_now(LINE) == RECIPE
    assert source(SmallRecord()).recipe_now(LINE) == RECIPE  # the line has one only
    assert source(SmallRecord()).recipe_now("fire-1") is None  # two: which is not known
    assert source(record).line_now("rewind-1") is None


@pytest.mark.parametrize(("line_metre", "wound"), [(700.0, 100.0), (590.0, 0.0)])
def test_what_is_on_a_drum_that_is_wound_reaches_from_its_start_to_the_take_up(line_metre, wound):
    line = configuration().lines[LINE]
    between_m = line.take_up_m - line.counter_m
    on = replace(SHEATHED, filling=2, start_m=600.0, end_m=None, end_ms=None)
    record = SmallRecord(now=[now(2, line_metre + between_m)])
    assert length_m(source(record), on) == pytest.approx(wound)
    assert wound_m(source(record), on, now(7, line_metre)) == 0.0  # another is wound
    assert wound_m(source(record), on, None) == 0.0
    assert length_m(source(record), SHEATHED) == wound_m(source(record), SHEATHED, None) == 500.0


def test_a_name_means_the_newest_filling_of_its_line_and_a_number_that_one():
    again = drum(LINE, 8, "S-1", 900.0, 950.0, "cable-2x2g5")
    elsewhere = drum("rewind-1", 9, "S-1", 0.0, 10.0, "reel-2x2g5")
    record = SmallRecord(wound=[SHEATHED, *REELS, SPECIMEN, again, elsewhere])
    asked = source(record)
    assert drum_meant(asked, LINE, name="S-1") == again
    assert drum_meant(asked, LINE, filling=1) == SHEATHED
    assert drum_meant(asked, LINE, filling=0) is None
    record.wound.reverse()  # the record lists the newest first
    assert named_alike(asked, again) == [SHEATHED, again, elsewhere]


def test_the_time_is_in_whole_milliseconds():
    assert source(SmallRecord(), now_s=12.3456).now_ms == 12_346
