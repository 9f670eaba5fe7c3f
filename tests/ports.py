"""Ports of this machine for servers that a test starts: no two test processes are ever given the same one.

A port found by binding to 0 lies in the range that the system hands to clients: between the search and the server's
start, or while the server is down, another process may take it. So each test process claims a block below that
range, by a lock that ends with the process, and gives the ports of its block in turn.
"""

import fcntl
import itertools
import os
import socket
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import IO

FIRST, SIZE, BLOCKS = 20_000, 100, 120
LOCKS = Path(tempfile.gettempdir()) / f"everymetre-ports-{os.getuid()}"


@dataclass(frozen=True, slots=True)
class Block:
    """Ports from `first` on, this process's own as long as `lock` is open."""

    first: int
    lock: IO[str]
    turn: Iterator[int]


def free_port() -> int:
    """A port that is free, and whose next one is: the embedded broker takes both."""
    block = claimed()
    for port in itertools.islice(block.turn, SIZE // 2):
        if _is_free(port) and _is_free(port + 1):
            return port
    raise OSError(f"no two neighbouring ports are free in {block.first} to {block.first + SIZE - 1}")


@cache
def claimed() -> Block:
    """This process's block of ports."""
    LOCKS.mkdir(exist_ok=True)
    for i in range(BLOCKS):
        lock = (LOCKS / str(i)).open("w")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.close()
            continue
        first = FIRST + i * SIZE
        return Block(first, lock, itertools.cycle(range(first, first + SIZE, 2)))
    raise OSError(f"all {BLOCKS} blocks of ports are claimed; the processes that claim them hold the files in {LOCKS}")


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True
