"""`everymetre wall READINGS`: thickness readings of a laboratory against a recipe's wall thickness."""

import sys
from argparse import ArgumentParser, Namespace
from math import isfinite
from pathlib import Path

from monitor.commands import SUMMARIES
from monitor.commands.csv_table import number, read_table
from monitor.contract.command import Command
from monitor.contract.config.load import ConfigurationError, load
from monitor.physics.wall import judge_wall, thinnest_allowed_mm

COLUMN = "wall_mm"
CAUTION = "The rule for the thinnest place is from memory: confirm it against the standard you certify to."


def read_readings(path: Path) -> list[str]:
    """Readings [mm] as they were written, since they are rounded in decimals. ValueError says what is wrong."""
    readings = [row[COLUMN] for row in read_table(path, (COLUMN,))]
    bad = [text for text in readings if not (isfinite(number(text)) and number(text) > 0)]
    if bad or not readings:
        raise ValueError(f"{path}: expected thicknesses in mm, got {', '.join(map(repr, bad[:5])) or 'no row'}")
    return readings


def report(readings_mm: list[str], specified_mm: float, layer: str) -> tuple[bool, list[str]]:
    """Whether a wall conforms, and lines with the reasons."""
    found = judge_wall(readings_mm, specified_mm, layer)
    met = {True: "met", False: "not met"}
    allowed_mm = f"{thinnest_allowed_mm(specified_mm, layer).normalize():f}"
    return found.mean_ok and found.thinnest_ok, [
        f"{len(readings_mm)} readings (IEC 60227-2: six of each of three samples)",
        f"mean {found.mean_mm} mm, specified {specified_mm:g}: {met[found.mean_ok]}",
        f"thinnest place {found.thinnest_mm} mm, allowed {allowed_mm}: {met[found.thinnest_ok]}",
        CAUTION,
    ]


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("readings", type=Path, help=f"CSV file with the column {COLUMN}, a reading a row")
    parser.add_argument("--recipe", required=True, help="the recipe that specifies the wall")
    parser.add_argument("--layer", choices=("insulation", "sheath"), default="insulation", help="(default: insulation)")
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )


def _run(options: Namespace) -> int:
    try:
        recipes = load(options.configs).recipes
        if options.recipe not in recipes:
            raise ValueError(f"no recipe {options.recipe!r}; there are {', '.join(sorted(recipes))}")
        specified_mm = recipes[options.recipe].geometry.wall_mm
        conforms, lines = report(read_readings(options.readings), specified_mm, options.layer)
    except (ConfigurationError, OSError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    print("\n".join(lines))
    return 0 if conforms else 1


COMMAND = Command(SUMMARIES["wall"], _options, _run)
