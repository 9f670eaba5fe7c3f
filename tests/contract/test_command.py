"""A command cannot run: its reason is printed for the person, and the exit code is 2."""

from argparse import ArgumentParser, Namespace

from monitor import __main__ as program
from monitor.contract.command import CannotRunError, Command


class Entry:
    """An installed command."""

    module = "monitor.commands.any"

    def __init__(self, command: Command) -> None:
        self.name, self.command = "any", command

    def load(self) -> Command:
        return self.command


def run(monkeypatch, command: Command, *words: str) -> int:
    monkeypatch.setattr(program, "entry_points", lambda group: [Entry(command)])
    return program.main(["any", *words])


def test_a_command_gets_its_own_options_and_its_exit_code_is_returned(monkeypatch):
    def options(parser: ArgumentParser) -> None:
        parser.add_argument("--lines", type=int)

    assert run(monkeypatch, Command("Any.", options, lambda given: given.lines), "--lines", "7") == 7


def test_one_that_cannot_run_says_why_and_ends_with_2(monkeypatch, capsys):
    def refuse(_: Namespace) -> int:
        raise CannotRunError("the store is of version 9: start a newer program")

    assert run(monkeypatch, Command("Any.", lambda _: None, refuse)) == 2
    assert capsys.readouterr().err == "the store is of version 9: start a newer program\n"
