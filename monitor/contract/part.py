"""One part of everymetre as the command line lists it."""

from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Part:
    """A subcommand: how to describe it, which options it takes, what it does (returns an exit code)."""

    summary: str
    options: Callable[[ArgumentParser], None]
    run: Callable[[Namespace], int]
