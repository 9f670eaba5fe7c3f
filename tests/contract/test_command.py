"""What an entry point names is loaded or refused; a command that cannot run prints why, and the exit code is 2."""

import sys
from argparse import ArgumentParser, Namespace
from importlib.metadata import EntryPoint
from pathlib import Path
from types import ModuleType

import pytest

from monitor import __main__ as program
from monitor.contract.command import CannotRunError, Command, loaded


class Entry:
    """An installed command."""

    module = "monitor.commands.any"

    def __init__(self, command: Command) -> None:
        self.name, self.command = "any", command

    def load(self) -> Command:
        return self.command


def run(monkeypatch: pytest.MonkeyPatch, command: Command, *words: str) -> int:
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


def entry(value: str) -> EntryPoint:
    return EntryPoint("one", value, "everymetre.commands")


def test_what_the_code_has_is_loaded():
    assert loaded(entry("monitor.contract.command:loaded")) is loaded


@pytest.mark.parametrize("value", ["gone:X", "gone.deep:X", "monitor.contract.gone:X", "monitor.contract.command:X"])
def test_what_the_code_does_not_have_is_of_another_version(value):
    with pytest.raises(CannotRunError, match=f"of another version than its code, which has no {value}"):
        loaded(entry(value))


def module_at(folder: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    (folder / "a_command.py").write_text(text)
    monkeypatch.syspath_prepend(folder)


def test_a_module_that_imports_what_is_not_installed_says_so(monkeypatch, tmp_path):
    module_at(tmp_path, monkeypatch, "import not_installed")
    with pytest.raises(ModuleNotFoundError, match="not_installed"):
        loaded(entry("a_command:X"))


def test_a_defect_of_a_module_is_not_taken_for_an_old_installation(monkeypatch, tmp_path):
    module_at(tmp_path, monkeypatch, "import sys\nsys.no_such_attribute\n")
    with pytest.raises(AttributeError, match="no_such_attribute"):
        loaded(entry("a_command:X"))


def test_nor_is_an_object_of_another_make(monkeypatch):
    module = ModuleType("sound_command")
    module.X = object()  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "sound_command", module)
    with pytest.raises(AttributeError, match="options"):
        loaded(entry("sound_command:X.options"))
