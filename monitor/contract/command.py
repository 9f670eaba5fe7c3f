"""A command of everymetre as the command line lists it."""

from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from dataclasses import dataclass


class CannotRunError(Exception):
    """A command cannot run; the text explains why and what to do. It is printed, and the exit code is 2."""


@dataclass(frozen=True, slots=True)
class Command:
    """A subcommand: how to describe it, which options it takes, what it does (returns an exit code)."""

    summary: str
    options: Callable[[ArgumentParser], None]
    run: Callable[[Namespace], int]
