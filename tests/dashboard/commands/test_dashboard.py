"""The command: what it takes from the configuration, what it refuses, and with what words."""

import argparse
import socket
from pathlib import Path

import pytest

from dashboard.commands import dashboard as main

CONFIGS = str(Path(__file__).parents[3] / "configs")


def words(*said):
    parser = argparse.ArgumentParser()
    main.COMMAND.options(parser)
    return parser.parse_args(["--configs", CONFIGS, *said])


def test_the_command_line_wins_over_works_toml(configuration):
    told = main._told(configuration, words("--store", "/elsewhere", "--broker", "mqtt://127.0.0.1:9", "--port", "8"))
    assert told.works.store.folder == "/elsewhere"
    assert told.works.broker.url == "mqtt://127.0.0.1:9"
    assert (told.works.dashboard.host, told.works.dashboard.port) == ("127.0.0.1", 8)
    assert main._told(configuration, words()) == configuration


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (["--host", "0.0.0.0"], "there is no account in"),
        (["--configs", "/nowhere"], "everymetre init /nowhere"),
        (["--broker", "http://127.0.0.1"], "expected mqtt://HOST:PORT"),
    ],
)
def test_what_cannot_be_is_told_and_ends_with_2(capsys, said, told):
    assert main.COMMAND.run(words(*said)) == 2
    assert told in capsys.readouterr().err


def test_a_busy_port_is_told(capsys, monkeypatch, record):
    monkeypatch.setattr(main, "_record", lambda _: record)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert main.COMMAND.run(words("--port", str(taken.getsockname()[1]))) == 2
    assert "--port" in capsys.readouterr().err
