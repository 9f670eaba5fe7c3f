"""Validates the configuration and lists all errors."""

import sys
from argparse import ArgumentParser, Namespace
from importlib.metadata import entry_points
from pathlib import Path

from monitor.analysis.films import film_guesses
from monitor.commands import SUMMARIES
from monitor.contract.command import Command, loaded
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import ConfigurationError, FileFault, parse, read_folder

FIRST_GUESS = (
    "An estimate is a first guess for still air: calibrate it on one measured surface temperature (page What if)."
)


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("--films", action="store_true", help="estimate the film coefficient of every zone of hot air")
    parser.add_argument(
        "folder", type=Path, nargs="?", default=Path("configs"), help="configuration folder (default: configs)"
    )


def faults_of(files: dict[str, str]) -> list[FileFault]:
    """Errors of the monitor's own files and of those that other packages have a checker for."""
    try:
        parse(files)
        faults = []
    except ConfigurationError as error:
        faults = error.faults
    for checker in entry_points(group="everymetre.checkers"):
        faults += loaded(checker)(files)
    return faults


def films(configuration: Configuration, every: bool) -> list[str]:
    """Film coefficients by correlation: of zones of hot air without one of their own, or of every one."""
    notes = []
    for guess in film_guesses(configuration):
        if guess.configured_W_m2K is None or every:
            has = "none of its own" if guess.configured_W_m2K is None else f"configured {guess.configured_W_m2K:g}"
            at = f"{guess.recipe} at {guess.speed_m_per_min:g} m/min and {guess.air_C:g} degC"
            e = guess.estimate
            outside = f": {e.outside}" if e.outside else ""
            notes.append(
                f"{guess.line}, {guess.zone}, {at}: film coefficient {has}, "
                f"estimated {e.film_W_m2K:.0f} W/m2K with radiation ({e.source}{outside})"
            )
    return [*notes, FIRST_GUESS] if notes else []


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
    if not faults:
        print("".join(f"{line}\n" for line in films(parse(files), options.films)), end="")
    return 1 if faults else 0


COMMAND = Command(SUMMARIES["check"], _options, _run)
