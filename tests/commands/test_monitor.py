"""`everymetre monitor`: what the command line sets instead of works.toml, and what it refuses before it begins."""

from argparse import ArgumentParser, Namespace
from pathlib import Path

import pytest

from monitor.__main__ import main
from monitor.commands import monitor
from tests.core.script import CONFIGS


def options(*words: str) -> Namespace:
    parser = ArgumentParser()
    monitor.COMMAND.options(parser)
    return parser.parse_args(["--configs", str(CONFIGS), *words])


def test_the_command_line_sets_broker_and_store_and_nothing_else(tmp_path):
    plain = monitor.configured(options())
    changed = monitor.configured(options("--broker", "mqtts://other:8883", "--store", str(tmp_path)))
    assert changed.works.broker.url == "mqtts://other:8883"
    assert Path(changed.works.store.folder) == tmp_path
    works = changed.works.model_copy(update={"broker": plain.works.broker, "store": plain.works.store})
    assert changed.model_copy(update={"works": works}) == plain
    assert changed.works.broker.model_copy(update={"url": plain.works.broker.url}) == plain.works.broker


def test_all_lines_are_monitored_unless_some_are_named():
    configuration = monitor.configured(options())
    assert monitor._chosen(configuration, None) == list(configuration.lines)
    assert monitor._chosen(configuration, "core-2,core-1") == ["core-2", "core-1"]


def test_a_line_that_is_not_there_is_refused_with_those_that_are(capsys):
    assert main(["monitor", "--configs", str(CONFIGS), "--lines", "core-1,core-9"]) == 2
    assert "--lines: no line core-9; this plant has core-1" in capsys.readouterr().err


@pytest.mark.parametrize(("words", "says"), [(["--broker", "ftp://x"], "mqtt"), (["--configs", "nowhere"], "nowhere")])
def test_what_cannot_be_read_is_refused_with_its_name(words, says, capsys):
    assert main(["monitor", "--configs", str(CONFIGS), *words]) == 2
    assert says in capsys.readouterr().err
