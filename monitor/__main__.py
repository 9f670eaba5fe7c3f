"""The command `everymetre`: lists the installed commands and runs one of them."""

import argparse
import contextlib
import gc
import sys
from collections.abc import Mapping, Sequence
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points, version

from monitor.contract.command import CannotRunError, Command

DESCRIPTION = """Line monitoring and a record of each metre for the manufacture of fire-resistant cable.
Advisory only: it is not a safety interlock and does not release product."""
EXTRAS = {"dashboard": "pages"}  # by package: the extra that installs what it imports


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. Its code is imported only when it is called."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    found = {entry.name: entry for entry in entry_points(group="everymetre.commands")}
    if arguments and arguments[0] in found:
        try:
            command = found[arguments[0]].load()
            if argv is None:  # a process of its own: what is imported stays, and is never searched for garbage again
                gc.freeze()
            return _run(arguments[0], command, arguments[1:])
        except ModuleNotFoundError as error:
            extra = EXTRAS.get(found[arguments[0]].module.partition(".")[0])
            if extra is None:
                raise
            print(f"{arguments[0]} needs {error.name}: pip install everymetre[{extra}]", file=sys.stderr)
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
    try:
        return command.run(parser.parse_args(arguments))
    except CannotRunError as error:
        print(error, file=sys.stderr)
        return 2


def _list(found: Mapping[str, EntryPoint]) -> str:
    rows = [f"  {name:<10} {_summary(entry)}" for name, entry in sorted(found.items())]
    return "commands:\n" + "\n".join(rows) + "\n\nRun `everymetre COMMAND --help` for its options."


def _summary(entry: EntryPoint) -> str:
    """From the light module `commands` of its package; without one the command itself is imported."""
    package = entry.module.partition(".")[0]
    with contextlib.suppress(ModuleNotFoundError, KeyError):
        return str(import_module(f"{package}.commands").SUMMARIES[entry.name])
    return str(entry.load().summary)


if __name__ == "__main__":
    sys.exit(main())
