"""Processes of ours that tests start by the dozen: forks of one that has imported everything already.

`python -m MODULE WORDS` takes a second of CPU for imports before it begins. A server, one for each process that runs
tests, imports once and forks for each start: the fork runs the same module with the same words, environment, folder
and files. It becomes a child of the process that asked for it, so signals and exit codes are as usual.
"""

import ctypes
import gc
import json
import os
import runpy
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import IO

from tests import statements
from tests.physics import reference

ROOT = Path(__file__).parents[1]
ADOPT = 36  # PR_SET_CHILD_SUBREAPER of <linux/prctl.h>
REQUEST_BYTES = 1 << 17
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "JE_ARROW_MALLOC_CONF": "background_thread:false"}
IMPORTED = (
    "iotcore",
    "monitor.commands.broker",
    "monitor.commands.contract",
    "monitor.commands.monitor",
    "simulator.publisher",
)


@dataclass
class Child:
    """A fork, as a child of this process."""

    pid: int
    returncode: int | None = None

    def poll(self) -> int | None:
        """Its exit code, the negative number of the signal that ended it, or None while it runs."""
        if self.returncode is None:
            ended, status = os.waitpid(self.pid, os.WNOHANG)
            if ended:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Its exit code; subprocess.TimeoutExpired after `timeout` seconds."""
        if self.poll() is None:
            ends, watch = os.pidfd_open(self.pid), select.poll()
            watch.register(ends, select.POLLIN)
            watch.poll(None if timeout is None else timeout * 1e3)
            os.close(ends)
        code = self.poll()
        if code is None:
            raise subprocess.TimeoutExpired(f"process {self.pid}", timeout or 0.0)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


@dataclass(frozen=True)
class Server:
    """The process that forks, and the socket on which it is asked to."""

    process: "subprocess.Popen[bytes]" = field(repr=False)
    channel: socket.socket

    def fork(self, words: Sequence[str], out: IO[bytes], err: IO[bytes]) -> Child:
        """`python -m WORDS` in this process's environment and folder, without standard input."""
        request = json.dumps({"words": list(words), "environment": dict(os.environ), "folder": str(Path.cwd())})
        socket.send_fds(self.channel, [request.encode()], [out.fileno(), err.fileno()])
        pid = self.channel.recv(32)
        assert pid, f"the server of forks ended with {self.process.poll()}"
        return Child(int(pid))


def can_fork() -> bool:
    """Whether this system lets a process adopt orphans."""
    return sys.platform == "linux"


@cache
def server() -> Server:
    """This process's server; it ends with this process."""
    assert ctypes.CDLL(None, use_errno=True).prctl(ADOPT, 1, 0, 0, 0) == 0, os.strerror(ctypes.get_errno())
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with theirs:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.forks", str(theirs.fileno())], pass_fds=[theirs.fileno()], cwd=ROOT,
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, env=os.environ | ONE_THREAD,
        )  # fmt: skip
    return Server(process, ours)


# ---- the server --------------------------------------------------------------------------------------------------


def prepare() -> None:
    """Import what the forks need, and load the machine code of the march. Nothing here may start a thread."""
    for module in IMPORTED:
        import_module(module)
    statements.share()
    reference.solved(next(iter(reference.CASES.values())))
    gc.collect()
    gc.freeze()  # a fork goes through none of it again
    threads = len(list(Path("/proc/self/task").iterdir()))
    assert threads == 1, f"{threads} threads: a fork has only the one that forks"


def requests(channel: socket.socket) -> tuple[bytes, list[int]] | None:
    """Fork for each request until there are no more (None); in the fork, the request and its files."""
    while True:
        request, files, *_ = socket.recv_fds(channel, REQUEST_BYTES, 2)
        if not request:
            return None
        pid = orphan()
        if pid is None:
            return request, files
        channel.send(str(pid).encode())
        for file in files:
            os.close(file)


def orphan() -> int | None:
    """Fork twice, so that this process is no parent: the pid of the second fork, and None in it."""
    reads, writes = os.pipe()
    between = os.fork()
    if between:
        os.close(writes)
        with os.fdopen(reads) as pipe:
            pid = int(pipe.read())
        os.waitpid(between, 0)
        return pid
    os.close(reads)
    if pid := os.fork():
        os.write(writes, str(pid).encode())
        os._exit(0)
    os.close(writes)
    return None


def become(request: bytes, files: Sequence[int]) -> None:
    """Run what was asked for in this process, as `python -m` would."""
    asked = json.loads(request)
    for file, standard in zip(files, (1, 2), strict=True):
        os.dup2(file, standard)
        os.close(file)
    os.chdir(asked["folder"])
    os.environ.clear()
    os.environ.update(asked["environment"])
    sys.argv = asked["words"]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)


def main() -> None:
    prepare()
    with socket.socket(fileno=int(sys.argv[1])) as channel:
        request = requests(channel)
    if request:
        become(*request)


if __name__ == "__main__":
    main()
