"""Whatever happens to a works, nothing is lost or doubled, and its record is that of an undisturbed works."""

import pytest

from monitor.store.writer import Writer
from tests.world.world import Report, World

SEEDS = range(400)
TOGETHER = 50  # a part of what workers share
# Seeds of worlds in which something was wrong once; what each found.
FOUND = {
    9: "a gateway that met its broker before the monitor did was run past",
    37: "an engine rebuilt without a snapshot gave rows that differed in the last bits",
    154: "the extreme of a stretch that was open through a rebuild was lost",
    57: "the metre that two drums share was deleted with the first drum's rows",
}


def unsound(seeds: range) -> list[Report]:
    reports = [World(seed).run() for seed in seeds]
    return [report for report in reports if not report.sound]


@pytest.mark.parametrize("first", SEEDS[::TOGETHER])
def test_nothing_is_lost_doubled_or_changed_whatever_happens(first):
    assert unsound(range(first, first + TOGETHER)) == []


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
    assert World(seed).run().sound
