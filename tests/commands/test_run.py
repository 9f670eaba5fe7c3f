"""`everymetre run`: one address that lives within a minute, and no child that outlives its parent, however it dies."""

import json
import os
import signal
import socket
import subprocess
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from monitor.__main__ import main
from tests.shell.brokers import Process, everymetre
from tests.shell.works import PATIENCE, configs_at, until

PARTS = {"broker", "monitor", "simulate", "dashboard"}


class Demo:
    """The whole demo in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.configs, self.port, self.page = configs_at(folder)
        self.run = Process(everymetre("run", "--configs", str(self.configs)), folder / "run.log")
        self.run.ready = lambda: "is running" in self.run.output
        self.children: list[psutil.Process] = []

    def start(self) -> "Demo":
        self.run.start()
        assert self.run.process is not None
        self.children = psutil.Process(self.run.process.pid).children(recursive=True)
        return self

    @property
    def left(self) -> list[psutil.Process]:
        """Children that are still there."""
        return [c for c in self.children if c.is_running() and c.status() != psutil.STATUS_ZOMBIE]

    def part(self, name: str) -> psutil.Process:
        return next(c for c in self.children if c.cmdline()[3] == name)

    def answer(self, path: str) -> bytes:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.page}{path}", timeout=5 * PATIENCE) as reply:
            assert reply.status == 200
            return bytes(reply.read())


@pytest.fixture
def demo(tmp_path: Path) -> Iterator["Demo"]:
    one = Demo(tmp_path)
    try:
        yield one.start()
    finally:
        one.run.close()
        for child in one.left:
            child.kill()


def lines_are_wound(demo: Demo) -> bool:
    lines = json.loads(demo.answer("/api/v1/live"))["lines"]
    return all((line.get("drum_metre") or 0) > 5 for line in lines if line["line"].startswith("core"))


def test_the_address_it_prints_answers_and_the_lines_are_alive_and_ctrl_c_ends_all(demo):
    assert f"http://127.0.0.1:{demo.page}/" in demo.run.output
    assert b"everymetre" in demo.answer("/").lower()
    until(lambda: lines_are_wound(demo), 60, "metres on every drum")
    assert {word for c in demo.children for word in c.cmdline()} >= PARTS
    assert demo.run.end(signal.SIGINT, within_s=20) == 0
    until(lambda: not demo.left, 5, f"the end of {demo.left}")
    assert "stopping" in demo.run.output


def test_no_child_outlives_a_parent_that_is_killed(demo):
    demo.run.kill()
    until(lambda: not demo.left, 15, f"the end of {demo.left}")
    assert demo.children


@pytest.mark.parametrize("part", ["monitor", "broker"])
def test_a_part_that_dies_is_reported_with_its_last_words_and_all_is_stopped(demo, part):
    os.kill(demo.part(part).pid, signal.SIGKILL)
    assert demo.run.process is not None
    assert demo.run.process.wait(25 * PATIENCE) == 1
    assert f"{part} ended with code -9" in demo.run.output
    until(lambda: not demo.left, 5, f"the end of {demo.left}")


def test_a_busy_port_is_named_with_a_remedy(tmp_path):
    one = Demo(tmp_path)
    with socket.socket() as other:
        other.bind(("127.0.0.1", one.page))
        other.listen()
        done = subprocess.run(one.run.words, capture_output=True, text=True, timeout=30 * PATIENCE, check=False)
    assert done.returncode == 1
    assert f"port {one.page} (dashboard) is in use" in done.stderr
    assert "configs/works.toml, [dashboard] port" in done.stderr


def test_help_lists_the_parts(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    output = capsys.readouterr().out
    for part in (*PARTS, "run", "replay", "check", "contract", "kinetics"):
        assert part in output
