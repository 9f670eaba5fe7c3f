"""A command of everymetre as the command line lists it."""

from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from dataclasses import dataclass


class CannotRunError(Exception):
    """A part cannot do its work; the text explains why and what to do. The command prints it and exits with 2."""


@dataclass(frozen=True, slots=True)
class Part:
    """A subcommand: how to describe it, which options it takes, what it does (returns an exit code)."""

    summary: str
    options: Callable[[ArgumentParser], None]
    run: Callable[[Namespace], int]
