"""`everymetre kinetics ROWS`: t90 and activation energy from rheometer rows, their uncertainty, as TOML to paste.

A row is a t90 at one temperature, or a point of a cure curve, of which t90 is read off as ISO 6502 does.
"""

import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.commands import SUMMARIES
from monitor.commands.csv_table import number, read_table
from monitor.contract.command import Command
from monitor.physics.rheometer import RateFit, fit_rate, time_to

COLUMNS = ("temperature_C", "t90_s")
CURVE = ("temperature_C", "time_s", "torque")
COMPLETE = 0.9  # of the torque's rise


def read_rows(path: Path) -> RateFit:
    """Fit the rows of a CSV file, of COLUMNS or of CURVE. ValueError says what is wrong with it."""
    table = read_table(path, ("temperature_C",))
    if table and set(CURVE) <= set(table[0]):
        points = _numbers(table, CURVE)
        T_C = np.unique(points[:, 0])
        curves = [points[points[:, 0] == one] for one in T_C]
        return fit_rate(T_C, np.array([time_to(COMPLETE, curve[:, 1], curve[:, 2]) for curve in curves]))
    rows = _numbers(read_table(path, COLUMNS), COLUMNS)
    return fit_rate(rows[:, 0], rows[:, 1])


def _numbers(table: list[dict[str, str]], columns: Sequence[str]) -> NDArray[np.float64]:
    return np.array([[number(row[name]) for name in columns] for row in table]).reshape(-1, len(columns))


def toml(fit: RateFit) -> str:
    """The fit as a recipe's table, with its uncertainty as a comment."""
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
    parser.add_argument(
        "rows",
        type=Path,
        help="CSV file with the columns temperature_C and t90_s, or temperature_C, time_s and torque of cure curves",
    )


def _run(options: Namespace) -> int:
    try:
        print(toml(read_rows(options.rows)))
    except (OSError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


COMMAND = Command(SUMMARIES["kinetics"], _options, _run)
