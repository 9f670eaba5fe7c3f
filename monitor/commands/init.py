"""The command `everymetre init`: write a commented and valid starting configuration."""

import sys
from argparse import ArgumentParser, Namespace
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from pathlib import Path
from shutil import copytree

from monitor.commands import SUMMARIES
from monitor.contract.command import CannotRunError, Command

SHIPPED = "example"  # where a wheel carries it, inside the package `monitor`
NEXT = """Wrote {n} files to {folder}: the invented works `tarn`, its lines, recipes and scenarios.
Change them to your own, and check them:  everymetre check {folder}
See them at work with simulated lines:    everymetre run --configs {folder}"""


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="where to write; it must be new or empty")


def example() -> Traversable:
    """The configuration that a wheel carries, or in a source tree its folder `configs`."""
    shipped = files("monitor").joinpath(SHIPPED)
    return shipped if shipped.is_dir() else Path(__file__).parents[2] / "configs"


def _run(options: Namespace) -> int:
    folder: Path = options.folder
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise CannotRunError(f"{folder} is not an empty folder: name a new one, nothing is written over")
    try:
        with as_file(example()) as source:
            copytree(source, folder, dirs_exist_ok=True)
    except OSError as error:
        print(f"{folder} cannot be written ({error}): name a folder in which you may write", file=sys.stderr)
        return 2
    n = sum(path.is_file() for path in folder.rglob("*"))
    print(NEXT.format(n=n, folder=folder))
    return 0


COMMAND = Command(SUMMARIES["init"], _options, _run)
