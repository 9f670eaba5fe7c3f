"""Runs the tests of a mutated tree, the current folder, again and again, each time in a fork of this process.

A line of standard input asks for a run and is how many seconds it may take; the answer is the exit code of pytest.
The first run reports what it imported, and this process then imports the libraries among it: most of a short run of
tests is imports. What belongs to the tree is imported by each run for itself.
"""

import contextlib
import importlib
import os
import sys
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

PLUGINS = {"hypothesis", "_hypothesis_pytestplugin", "pytest_asyncio", "xdist", "anyio"}  # pytest imports them itself


def run(tests: list[str], imported: Connection) -> None:
    """One run, in a process of its own, which ends with pytest's exit code."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    code = pytest.main(["-q", "-x", "-p", "no:cacheprovider", *tests])
    imported.send([name for name in sys.modules if _of_a_library(name)])
    os._exit(int(code))  # a thread or a server that the run left behind must not delay its end


def _of_a_library(name: str) -> bool:
    file = getattr(sys.modules[name], "__file__", None)
    return file is not None and name.partition(".")[0] not in PLUGINS and Path.cwd() not in Path(file).parents


def main(tests: list[str]) -> None:
    """Runs on request, until standard input ends."""
    fork = get_context("fork")
    first = True
    for line in sys.stdin:
        received, sent = fork.Pipe(duplex=False)
        child = fork.Process(target=run, args=(tests, sent))
        child.start()
        sent.close()
        names: list[str] = []
        with contextlib.suppress(EOFError):  # the run ended by itself, with a signal or an exit
            names = received.recv() if received.poll(float(line)) else []
        child.join(1.0)
        if child.is_alive():
            child.kill()
            child.join()
        print(child.exitcode, flush=True)
        for name in names if first else ():
            with contextlib.suppress(ImportError):
                importlib.import_module(name)
        first = False


if __name__ == "__main__":
    main(sys.argv[1:])
