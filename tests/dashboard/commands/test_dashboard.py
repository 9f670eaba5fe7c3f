"""The command: what it takes from the configuration, what it refuses, and with what words."""

import argparse
import socket
from pathlib import Path

import pytest

from dashboard.commands import dashboard as main

CONFIGS = str(Path(__file__).parents[3] / "configs")


def words(*options: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    main.COMMAND.options(parser)
    return parser.parse_args(["--configs", CONFIGS, *options])


def test_the_command_line_wins_over_works_toml(configuration):
    changed = main._with_options(
        configuration, words("--store", "/elsewhere", "--broker", "mqtt://127.0.0.1:9", "--port", "8")
    )
    assert changed.works.store.folder == "/elsewhere"
    assert changed.works.broker.url == "mqtt://127.0.0.1:9"
    assert (changed.works.dashboard.host, changed.works.dashboard.port) == ("127.0.0.1", 8)
    assert main._with_options(configuration, words()) == configuration


@pytest.mark.parametrize(
    ("options", "printed"),
    [
        (["--host", "0.0.0.0"], "there is no account in"),
        (["--configs", "/nowhere"], "everymetre init /nowhere"),
        (["--broker", "http://127.0.0.1"], "expected mqtt://HOST:PORT"),
    ],
)
def test_invalid_options_are_reported_and_end_with_2(capsys, options, printed):
    assert main.COMMAND.run(words(*options)) == 2
    assert printed in capsys.readouterr().err


def test_a_port_in_use_is_reported(capsys, monkeypatch, record):
    monkeypatch.setattr(main, "_record", lambda _: record)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert main.COMMAND.run(words("--port", str(taken.getsockname()[1]))) == 2
    assert "--port" in capsys.readouterr().err
