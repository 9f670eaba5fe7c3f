"""`everymetre kinetics ROWS`: t90 and activation energy from rheometer rows, how sure they are, as TOML to paste."""

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

import numpy as np

from monitor.commands import SUMMARIES
from monitor.commands.csv_table import number, read_table
from monitor.contract.part import Part
from monitor.physics.rheometer import RateFit, fit_rate

COLUMNS = ("temperature_C", "t90_s")


def read_rows(path: Path) -> RateFit:
    """Fit the rows of a CSV file with the columns temperature_C and t90_s. ValueError says what is wrong with it."""
    rows = np.array([[number(row[name]) for name in COLUMNS] for row in read_table(path, COLUMNS)]).reshape(-1, 2)
    return fit_rate(rows[:, 0], rows[:, 1])


def toml(fit: RateFit) -> str:
    """The fit as a recipe's table, with what is known of it as a comment."""
    low, high = fit.time_95_s
    rate = fit.rate
    return (
        f"# {fit.words}\n"
        f"# t90 at the reference between {low:.3g} and {high:.3g} s (95 %)\n"
        "[cure.t90]\n"
        f"time_s = {rate.time_s:.4g}\n"
        f"reference_C = {rate.reference_C:.2f}\n"
        f"activation_energy_J_mol = {rate.activation_J_mol:.5g}"
    )


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("rows", type=Path, help="CSV file with the columns temperature_C and t90_s")


def _run(options: Namespace) -> int:
    try:
        print(toml(read_rows(options.rows)))
    except (OSError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


COMMAND = Part(SUMMARIES["kinetics"], _options, _run)
