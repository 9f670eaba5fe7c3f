"""Validates the configuration and lists all errors."""

import sys
from argparse import ArgumentParser, Namespace
from importlib.metadata import entry_points
from pathlib import Path

from monitor.commands import SUMMARIES
from monitor.contract.config.load import ConfigurationError, FileFault, parse, read_folder
from monitor.contract.part import Part


def _options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "folder", type=Path, nargs="?", default=Path("configs"), help="configuration folder (default: configs)"
    )


def faults_of(files: dict[str, str]) -> list[FileFault]:
    """Faults of the monitor's own files and of those that other parts have a checker for."""
    try:
        parse(files)
        faults = []
    except ConfigurationError as error:
        faults = error.faults
    for checker in entry_points(group="everymetre.checkers"):
        faults += checker.load()(files)
    return faults


def _run(options: Namespace) -> int:
    try:
        files = read_folder(options.folder)
    except FileNotFoundError as error:
        print(error, file=sys.stderr)
        return 2
    faults = faults_of(files)
    for fault in faults:
        print(fault)
    print(f"{len(files)} files, {len(faults) or 'no'} fault{'s' if len(faults) > 1 else ''}")
    return 1 if faults else 0


COMMAND = Part(SUMMARIES["check"], _options, _run)
