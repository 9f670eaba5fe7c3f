"""Long computations in processes of their own: they tell, end, fail, are stopped, and are not too many."""

import signal
from multiprocessing.connection import Connection

import pytest

from dashboard.jobs import AT_ONCE, Job, ProcessBench, TooManyError
from monitor.analysis.rehearse import Asked, AskedLimit
from monitor.contract.config.configuration import Configuration
from tests.shell.works import until

ASKED = Asked(line="core-1", start_ms=0, end_ms=1, changes={})


def quick(end: Connection, _configuration: Configuration, _asked: Asked | AskedLimit) -> None:
    end.send(("share", 0.5))
    end.send(("done", 42))


def fails(end: Connection, _configuration: Configuration, _asked: Asked | AskedLimit) -> None:
    end.send(("failed", "nothing on record"))


def dies(_end: Connection, _configuration: Configuration, _asked: Asked | AskedLimit) -> None:
    raise SystemExit(3)


def slow(end: Connection, _configuration: Configuration, _asked: Asked | AskedLimit) -> None:
    end.send(("share", 0.1))
    signal.pause()  # a computation that never ends by itself


def ended(bench: ProcessBench, key: str) -> Job:
    until(lambda: bench.look(key).over, 30, "the end")
    return bench.look(key)


def test_a_result_comes_back_and_is_kept(configuration):
    bench = ProcessBench(configuration, quick)
    key = bench.begin(ASKED)
    job = ended(bench, key)
    assert (job.result, job.failed, job.share) == (42, "", 0.5)
    assert bench.look("no such") is None


@pytest.mark.parametrize(("work", "says"), [(fails, "nothing on record"), (dies, "exit code")])
def test_what_failed_says_so(configuration, work, says):
    bench = ProcessBench(configuration, work)
    job = ended(bench, bench.begin(ASKED))
    assert says in job.failed
    assert job.result is None


def test_it_is_stopped_and_no_more_than_two_run(configuration):
    bench = ProcessBench(configuration, slow)
    keys = [bench.begin(ASKED) for _ in range(AT_ONCE)]
    until(lambda: bench.look(keys[0]).share == 0.1, 30, "its first word")
    with pytest.raises(TooManyError, match="wait for one to end, or stop it"):
        bench.begin(ASKED)
    for key in keys:
        bench.stop(key)
    assert bench.look(keys[0]).failed == "Stopped."
    bench.stop(bench.begin(ASKED))
