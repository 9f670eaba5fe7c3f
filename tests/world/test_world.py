"""Whatever happens to a works, nothing is lost or doubled, and its record is that of an undisturbed works."""

import re

import pytest

from monitor.store.writer import Writer
from tests.world.stories import LONG, SHORT, Kind
from tests.world.world import STORIES, World, undisturbed, unsound

SEEDS = range(1000)
SEEDS_LONG = range(20)
TOGETHER = 100  # a part of what workers share
# Seeds of worlds with long stories in which something was wrong once; what each found.
FOUND = {
    9: "a gateway that met its broker before the monitor did was run past",
    37: "an engine rebuilt without a snapshot gave rows that differed in the last bits",
    154: "the extreme of a stretch that was open through a rebuild was lost",
    57: "the metre that two drums share was deleted with the first drum's rows",
    171: "an engine rebuilt behind the start of a stretch placed it at the first metre of its track",
}


@pytest.mark.parametrize("first", SEEDS[::TOGETHER])
def test_nothing_is_lost_doubled_or_changed_whatever_happens(first):
    assert unsound(range(first, first + TOGETHER), SHORT) == []


def test_nor_in_stories_of_an_hour():
    assert unsound(SEEDS_LONG, LONG) == []


def test_short_stories_hold_what_long_ones_hold():
    assert held_in(SHORT) == held_in(LONG)
    for kind in (SHORT, LONG):
        moved_s = 3600 - kind.start_s + 3600 * kind.raw_hours_in_database
        assert moved_s < 0.8 * kind.length_s, "the first hour becomes a file while the line still runs"


def held_in(kind: Kind) -> set[str]:
    """Names of drums, kinds of findings, alarms and states in the records of all stories of a kind."""
    found = set()
    for record in (undisturbed(number, kind) for number in range(STORIES)):
        found |= {drum.drum for drum in record["drums"]} | {state for _, state, *_ in record["states"]}
        for name in ("findings", "changes"):
            found |= {match for one in record[name] for match in re.findall(r"(?:kind|alarm|verdict)=[^,)]+", one)}
    return found


def test_the_same_seed_is_the_same_world_to_the_bit():
    first, second = World(8), World(8)
    assert first.run() == second.run()
    assert first.disk.steps == second.disk.steps
    assert first.loop.time() == second.loop.time()
    assert first.report.troubles


def test_a_world_that_loses_a_message_is_not_sound(monkeypatch):
    """The judge is judged: a monitor that acknowledges what it does not store is found."""

    messages = Writer._messages
    monkeypatch.setattr(
        Writer, "_messages", lambda self, c, kept: messages(self, c, kept[1:] if len(kept) > 3 else kept)
    )
    assert not World(0).run().sound


@pytest.mark.parametrize("seed", FOUND)
def test_what_was_found_once_stays_mended(seed):
    assert World(seed, LONG).run().sound
