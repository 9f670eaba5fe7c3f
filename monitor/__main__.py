"""The command `everymetre`: lists the installed commands and runs one of them."""

import argparse
import contextlib
import gc
import sys
from collections.abc import Mapping, Sequence
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points, version

from monitor.contract.command import INSTALL_AGAIN, CannotRunError, Command, loaded

DESCRIPTION = """Line monitoring and a record of each metre for the manufacture of fire-resistant cable.
Advisory only: it is not a safety interlock and does not release product."""
EXTRAS = {"dashboard": "pages"}  # by package: the extra that installs what it imports


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. Its code is imported only when it is called."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    found = {entry.name: entry for entry in entry_points(group="everymetre.commands")}
    if arguments and arguments[0] in found:
        try:
            command = loaded(found[arguments[0]])
            if argv is None:  # a process of its own: what is imported stays, and is never searched for garbage again
                gc.freeze()
            return _run(arguments[0], command, arguments[1:])
        except CannotRunError as error:
            print(error, file=sys.stderr)
            return 2
        except ModuleNotFoundError as error:
            extra = EXTRAS.get(_package(found[arguments[0]]))
            if extra is None:
                raise
            print(f"{arguments[0]} needs {error.name}: pip install everymetre[{extra}]", file=sys.stderr)
            return 2
    if arguments and arguments[0] in _in_code(found):
        older = f"{arguments[0]}: the installation of everymetre is older than its code. {INSTALL_AGAIN}"
        print(older, file=sys.stderr)
        return 2
    parser = argparse.ArgumentParser("everymetre", description=DESCRIPTION, formatter_class=_Raw, epilog=_list(found))
    parser.add_argument("command", choices=found, metavar="COMMAND", help="one of the commands below")
    parser.add_argument("--version", action="version", version=f"everymetre {version('everymetre')}")
    parser.parse_args(arguments)
    return 2


class _Raw(argparse.RawDescriptionHelpFormatter):
    pass


def _run(name: str, command: Command, arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(f"everymetre {name}", description=command.summary)
    command.options(parser)
    return command.run(parser.parse_args(arguments))


def _list(found: Mapping[str, EntryPoint]) -> str:
    rows = [f"  {name:<10} {_summary(entry)}" for name, entry in sorted(found.items())]
    return "commands:\n" + "\n".join(rows) + "\n\nRun `everymetre COMMAND --help` for its options."


def _summary(entry: EntryPoint) -> str:
    """From the light module `commands` of its package; without one the command itself is imported."""
    summary = _summaries(_package(entry)).get(entry.name)
    if summary is not None:
        return summary
    try:
        return str(loaded(entry).summary)
    except CannotRunError:
        return f"Not in the code of this version. {INSTALL_AGAIN}"


def _in_code(found: Mapping[str, EntryPoint]) -> set[str]:
    """Commands that the code has, whether or not the installation names them."""
    return {name for package in {_package(entry) for entry in found.values()} for name in _summaries(package)}


def _summaries(package: str) -> Mapping[str, str]:
    with contextlib.suppress(ModuleNotFoundError):
        return dict(import_module(f"{package}.commands").SUMMARIES)
    return {}


def _package(entry: EntryPoint) -> str:
    return entry.module.partition(".")[0]


if __name__ == "__main__":
    sys.exit(main())
