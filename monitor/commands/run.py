"""The whole demo with one command: broker, simulator, monitor and dashboard as child processes that end with it."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from monitor.commands import SUMMARIES
from monitor.contract.address import address
from monitor.contract.command import Command
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import ConfigurationError, load

STARTS_WITHIN_S = 45.0
STOPS_WITHIN_S = 8.0
LAST_LINES = 12
WATCH_S, LOOK_S = 0.2, 0.1


@dataclass(slots=True)
class Child:
    """A command in a process of its own; its output goes to a file, and closing its standard input ends it."""

    name: str
    process: "subprocess.Popen[bytes]"
    log: Path

    @property
    def last_log_lines(self) -> str:
        text = self.log.read_text(encoding="utf-8", errors="replace")
        return "\n".join(f"  {line}" for line in text.splitlines()[-LAST_LINES:])


def _options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--scenario", default="demo", help="what the simulated lines do (default: demo)")
    parser.add_argument(
        "--pace",
        default="0",
        help="speed factor; 0: publish the scenario's past at once, then run in real time (default: 0)",
    )


def _run(options: Namespace) -> int:
    try:
        configuration = load(options.configs)
        ports = _ports(configuration)
    except (ConfigurationError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    busy = [f"port {port} ({what}) is in use; {remedy}" for what, port, remedy in ports if _in_use(port)]
    if busy:
        print("\n".join(busy), file=sys.stderr)
        return 1
    return _Run(options, configuration).run()


def _ports(c: Configuration) -> list[tuple[str, int, str]]:
    broker = address(c.works.broker).port
    of_broker = "end what uses it, or give another port in configs/works.toml, [broker] url"
    of_pages = "end what uses it, or give another in configs/works.toml, [dashboard] port"
    return [
        ("broker, MQTT 5", broker, of_broker),
        ("broker, MQTT 3.1.1", broker + 1, of_broker),
        ("dashboard", c.works.dashboard.port, of_pages),
    ]


def _in_use(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return True
    return False


class _Run:
    """Child processes, started in order and stopped in reverse."""

    def __init__(self, options: Namespace, configuration: Configuration) -> None:
        self.options = options
        self.configuration = configuration
        self.children: list[Child] = []
        self.asked = threading.Event()
        self.logs = Path(configuration.works.store.folder).parent / "logs"

    def run(self) -> int:
        for name in (signal.SIGINT, signal.SIGTERM):
            signal.signal(name, self._ask)
        self.logs.mkdir(parents=True, exist_ok=True)
        try:
            return self._start_and_watch()
        finally:
            self._stop()

    def _ask(self, _signal: int, _frame: FrameType | None) -> None:
        self.asked.set()

    def _start_and_watch(self) -> int:
        c, o = self.configuration, self.options
        self._start("broker", [])
        if not self._wait(lambda: _in_use(address(c.works.broker).port)):
            return self._gave_up("the broker")
        self._start("monitor", [])
        self._start("simulate", ["--scenario", o.scenario, "--pace", o.pace])
        self._start("dashboard", [])
        page = f"http://{c.works.dashboard.host}:{c.works.dashboard.port}/"
        if not self._wait(lambda: _answers(page)):
            return self._gave_up("the dashboard")
        print(f"{c.works.title} is running: open {page} (Ctrl-C stops everything)", flush=True)
        if o.pace != "1":
            print(
                "The scenario starts in the past and catches up (about four minutes for the demo); "
                "until then each page shows the age of its data.",
                flush=True,
            )
        while not self.asked.wait(WATCH_S):
            dead = self._dead()
            if dead:
                return self._report_exit(dead)
        print("stopping", flush=True)
        return 0

    def _start(self, name: str, options: Sequence[str]) -> None:
        log = self.logs / f"{name}.log"
        command = [
            sys.executable,
            "-m",
            "monitor",
            name,
            "--configs",
            str(self.options.configs),
            "--lifeline",
            *options,
        ]
        with log.open("wb") as out:
            # A session of its own, so that Ctrl-C reaches the parent only and the children stop in their order.
            process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=out, stderr=subprocess.STDOUT, start_new_session=True
            )
        self.children.append(Child(name, process, log))

    def _wait(self, ready: Callable[[], bool]) -> bool:
        until = time.monotonic() + STARTS_WITHIN_S
        while time.monotonic() < until and not self._dead():
            if ready():
                return True
            if self.asked.wait(LOOK_S):
                break
        return False

    def _dead(self) -> Child | None:
        return next((child for child in self.children if child.process.poll() is not None), None)

    def _gave_up(self, what: str) -> int:
        if self.asked.is_set():
            return 0
        dead = self._dead()
        if dead:
            return self._report_exit(dead)
        print(f"{what} did not answer within {STARTS_WITHIN_S:.0f} s; see its log in {self.logs}", file=sys.stderr)
        return 1

    def _report_exit(self, child: Child) -> int:
        code = child.process.returncode
        print(
            f"{child.name} ended with code {code}; everything is stopped. Last log lines ({child.log}):",
            file=sys.stderr,
        )
        print(child.last_log_lines, file=sys.stderr)
        return 1

    def _stop(self) -> None:
        """The last started first, so that the broker outlives those that still have something to publish."""
        until = time.monotonic() + STOPS_WITHIN_S
        for child in reversed(self.children):
            if child.process.poll() is None:
                child.process.terminate()
                try:
                    child.process.wait(max(until - time.monotonic(), 0.5))
                except subprocess.TimeoutExpired:
                    os.killpg(child.process.pid, signal.SIGKILL)
                    child.process.wait()


def _answers(page: str) -> bool:
    try:
        with urllib.request.urlopen(page, timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


COMMAND = Command(SUMMARIES["run"], _options, _run)
