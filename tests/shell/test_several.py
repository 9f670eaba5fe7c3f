"""Several monitors, each with its lines, share one store and do not see each other."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from monitor.core.arrival import Arrival
from monitor.store.reader import StoreReader
from tests.core.test_pipeline import core_line
from tests.shell.works import everything, processor_at, settings_at, take
from tests.store.test_writer import busy

LINES = ("core-1", "core-2")


def arrivals_of(line: str) -> list[Arrival]:
    """The same two minutes on another line."""
    script = core_line(100, before=busy)
    return [Arrival(a.topic.replace("/core-1/", f"/{line}/"), a.payload, a.received_s) for a in script.sorted()]


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, object]]:
    found = {}
    for line in LINES:
        folder = tmp_path_factory.mktemp(line)
        take(processor_at(folder, lines=[line]), arrivals_of(line))
        found[line] = everything(folder, line)
    return found


def test_two_at_once_keep_the_records_that_each_keeps_alone(place, alone):
    processors = [processor_at(place, lines=[line]) for line in LINES]
    with ThreadPoolExecutor(2) as threads:
        list(threads.map(lambda pair: take(pair[0], arrivals_of(pair[1]), 50), zip(processors, LINES, strict=True)))
    assert {line: everything(place, line) for line in LINES} == alone


def test_one_that_starts_again_goes_on_with_its_own_lines(place, alone):
    first, other = (processor_at(place, lines=[line]) for line in LINES)
    take(first, arrivals_of("core-1")[:900])
    take(other, arrivals_of("core-2"))
    first.writer.close()
    again = processor_at(place, again=True, lines=["core-1"])
    assert again.writer.last_id == 900
    assert {s.line for s in again.writer.ledger.streams} == {"core-1"}
    take(again, arrivals_of("core-1")[900:])
    assert {line: everything(place, line) for line in LINES} == alone


def test_files_of_other_lines_are_left_to_their_writers(place):
    processors = [processor_at(place, lines=[line]) for line in LINES]
    for processor, line in zip(processors, LINES, strict=True):
        take(processor, arrivals_of(line))
    processors[0].roll()
    files = {line: [d.metres for d in StoreReader(settings_at(place)).drums(line)] for line in LINES}
    assert all(files.values())
    assert (place / "drums" / "core-1").is_dir()
    assert not (place / "drums" / "core-2").exists()
