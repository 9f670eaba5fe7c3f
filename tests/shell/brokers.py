"""Real brokers and parts of ours as processes that a test starts, kills and starts again."""

import contextlib
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from tests import forks
from tests.shell.works import PATIENCE, until

KINDS = ("mosquitto", "embedded")
Running = subprocess.Popen[bytes] | forks.Child
PATH = "/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin:/opt/homebrew/sbin:/opt/homebrew/bin"


def program(name: str) -> str:
    """Path of an outside program; fails by saying what to install."""
    found = shutil.which(name, path=PATH)
    assert found, f"no {name} on this machine: install Debian's mosquitto and mosquitto-clients (as .ci/run does)"
    return found


def is_open(port: int) -> bool:
    """Whether somebody listens."""
    with socket.socket() as s:
        s.settimeout(1.0)
        return s.connect_ex(("127.0.0.1", port)) == 0


@dataclass
class Process:
    """One command that can be killed and started again; its words are kept in one file.

    A module of ours is forked (`tests.forks`), unless it is to be `fresh` or has an `environment` of its own.
    """

    words: list[str]
    log: Path
    ready: Callable[[], bool] = lambda: True
    started: int = 0
    environment: dict[str, str] | None = field(default=None, repr=False)
    fresh: bool = False
    process: Running | None = field(default=None, repr=False)

    def start(self) -> "Process":
        with self.log.open("ab") as out:
            if self.fresh or self.environment is not None:
                self.process = _started(self.words, out, out, self.environment)
            else:
                self.process = launched(self.words, out, out)
        self.started += 1
        until(lambda: self.ready() or not self.alive, 30, self.words[0])
        assert self.alive, self.output
        return self

    def kill(self) -> None:
        """As a power cut would, for this process."""
        self.end(signal.SIGKILL)

    def end(self, by: signal.Signals = signal.SIGTERM, within_s: float = 10.0) -> int:
        """Send a signal and wait, on a busy machine `PATIENCE` times as long; returns the exit code."""
        assert self.process is not None
        if self.alive:
            self.process.send_signal(by)
        return self.process.wait(within_s * PATIENCE)

    def kill_while_it_stops(self, after_s: float) -> None:
        """Ask it to end, and kill it after a moment if it has not ended by then."""
        assert self.process is not None
        self.process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(after_s)
        self.kill()

    @property
    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    @property
    def output(self) -> str:
        """Its output so far, over all restarts."""
        return self.log.read_text(errors="replace") if self.log.exists() else ""

    def close(self) -> None:
        if self.alive:
            self.kill()


def everymetre(*words: str) -> list[str]:
    """A part of ours as a command."""
    return [sys.executable, "-m", "monitor", *words]


def launched(words: Sequence[str], out: IO[bytes], err: IO[bytes]) -> Running:
    """A command without standard input: a module of ours as a fork, anything else as itself."""
    if forks.can_fork() and list(words[:2]) == [sys.executable, "-m"]:
        return forks.server().fork(words[2:], out, err)
    return _started(words, out, err)


def _started(words: Sequence[str], out: IO[bytes], err: IO[bytes], env: dict[str, str] | None = None) -> Running:
    return subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=out, stderr=err, env=env)


def ended(words: Sequence[str], within_s: float = 30.0) -> "subprocess.CompletedProcess[str]":
    """A command that ends by itself, with what it printed; a busy machine gets `PATIENCE` times as long."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = launched(words, out, err)
        try:
            code = process.wait(within_s * PATIENCE)
        finally:
            process.kill()
        for file in (out, err):
            file.seek(0)
        return subprocess.CompletedProcess(words, code, out.read().decode(), err.read().decode())


def broker(kind: str, folder: Path, port: int) -> Process:
    """A broker of one kind, not started yet."""
    if kind == "embedded":
        words = everymetre("broker", "--port", str(port))
    else:
        config = folder / "mosquitto.conf"
        config.write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
            f"persistence true\npersistence_location {folder}/\nautosave_interval 1\nuser root\n"
        )
        words = [program("mosquitto"), "-c", str(config)]
    return Process(words, folder / "broker.log", lambda: is_open(port))


def monitor(configs: Path, folder: Path, *words: str) -> Process:
    """A monitor; ready when it has met its broker."""
    log = folder / "monitor.log"
    one = Process(everymetre("monitor", "--configs", str(configs), *words), log)
    one.ready = lambda: one.output.count("connected to") >= one.started
    return one


def publish(port: int, topic: str, payload: str | bytes, *more: str) -> None:
    """Publish by the outside client."""
    words = [program("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(port), "-V", "mqttv5", "-q", "1", "-t", topic, "-s"]
    data = payload.encode() if isinstance(payload, str) else payload
    subprocess.run([*words, *more], input=data, check=True, timeout=20 * PATIENCE)
