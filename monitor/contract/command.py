"""A command of everymetre as the command line lists it, and how one is loaded from the installation."""

import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import EntryPoint
from typing import Any

INSTALL_AGAIN = "Install it again: pip install -e . in the project's folder, or pip install --upgrade everymetre."


class CannotRunError(Exception):
    """A command cannot run; the text explains why and what to do. It is printed, and the exit code is 2."""


@dataclass(frozen=True, slots=True)
class Command:
    """A subcommand: how to describe it, which options it takes, what it does (returns an exit code)."""

    summary: str
    options: Callable[[ArgumentParser], None]
    run: Callable[[Namespace], int]


def loaded(entry: EntryPoint) -> Any:
    """What an entry point names. CannotRunError where the code has no such thing: it is of another version.

    ModuleNotFoundError where it imports what is not installed.
    """
    try:
        return entry.load()
    except ModuleNotFoundError as error:
        if not f"{entry.module}.".startswith(f"{error.name}."):
            raise
    except AttributeError:
        module = sys.modules.get(entry.module)
        if module is None or hasattr(module, entry.attr.partition(".")[0]):
            raise
    raise CannotRunError(
        f"{entry.name}: the installation of everymetre is of another version than its code, which has no "
        f"{entry.value}. {INSTALL_AGAIN}"
    )
