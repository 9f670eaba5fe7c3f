"""Runs worlds under many seeds and prints those that are not sound: python -m tests.world FIRST END [long]."""

import logging
import sys

from tests import statements
from tests.world.stories import LONG, SHORT, Kind
from tests.world.world import World


def main(first: int, end: int, kind: Kind = SHORT) -> int:
    """Seeds from `first` up to but without `end`; returns how many were not sound."""
    logging.disable(logging.CRITICAL)
    statements.share()
    wrong = 0
    for seed in range(first, end):
        report = World(seed, kind).run()
        if not report.sound:
            wrong += 1
            print(report, flush=True)
        if seed % 500 == 499:
            print(f"up to seed {seed}: {wrong} not sound", flush=True)
    print(f"{end - first} seeds, {wrong} not sound")
    return wrong


if __name__ == "__main__":
    sys.exit(bool(main(int(sys.argv[1]), int(sys.argv[2]), LONG if "long" in sys.argv[3:] else SHORT)))
