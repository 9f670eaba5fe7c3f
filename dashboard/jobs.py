"""Background jobs in separate processes, with progress, result and cancel."""

import itertools
import multiprocessing
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, Protocol

from monitor.analysis.rehearse import Asked, AskedLimit
from monitor.contract.config.configuration import Configuration

KEPT = 20
AT_ONCE = 2


class TooManyError(Exception):
    """Too many jobs are running; the text says what to do."""


@dataclass(slots=True, kw_only=True)
class Job:
    """One computation as pages see it."""

    asked: Asked | AskedLimit
    share: float = 0.0
    result: Any = None  # of `asked`'s kind: a Comparison or a Suggestion
    failed: str = ""
    over: bool = False


class Bench(Protocol):
    """Starts computations and reports on them by key."""

    def begin(self, asked: Asked | AskedLimit) -> str: ...
    def look(self, key: str) -> Job | None: ...
    def stop(self, key: str) -> None: ...


Work = Callable[[Connection, Configuration, Asked | AskedLimit], None]


@dataclass(slots=True)
class ProcessBench:
    """Runs `work` in processes; the newest results are kept. `work` must be importable."""

    configuration: Configuration
    work: Work
    _jobs: "OrderedDict[str, tuple[Job, BaseProcess, Connection]]" = field(default_factory=OrderedDict)
    _keys: "itertools.count[int]" = field(default_factory=lambda: itertools.count(1))

    def begin(self, asked: Asked | AskedLimit) -> str:
        """Start one; raises TooManyError where two are running already."""
        if sum(not self._seen(key).over for key in list(self._jobs)) >= AT_ONCE:
            raise TooManyError(f"{AT_ONCE} rehearsals are already running: wait for one to end, or stop it.")
        here, there = multiprocessing.get_context("spawn").Pipe(duplex=False)
        process = multiprocessing.get_context("spawn").Process(
            target=self.work, args=(there, self.configuration, asked), daemon=True
        )
        process.start()
        there.close()
        key = str(next(self._keys))
        self._jobs[key] = (Job(asked=asked), process, here)
        while len(self._jobs) > KEPT:
            self.stop(next(iter(self._jobs)))
            self._jobs.popitem(last=False)
        return key

    def look(self, key: str) -> Job | None:
        """The job as it is now; None where it is no longer known."""
        return self._seen(key) if key in self._jobs else None

    def stop(self, key: str) -> None:
        """Stop it; its results so far are lost."""
        if key not in self._jobs:
            return
        job, process, _ = self._jobs[key]
        if not job.over:
            process.terminate()
            job.over, job.failed = True, "Stopped."

    def _seen(self, key: str) -> Job:
        job, process, here = self._jobs[key]
        try:
            while not job.over and here.poll():
                kind, what = here.recv()
                if kind == "share":
                    job.share = what
                else:
                    job.over = True
                    job.result, job.failed = (what, "") if kind == "done" else (None, what)
        except EOFError:
            job.over, job.failed = True, f"The job ended without a result (exit code {process.exitcode})."
        return job
