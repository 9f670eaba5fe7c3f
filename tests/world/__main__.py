"""Runs worlds under many seeds, on all cores, and prints those that are not sound as they come.

`python -m tests.world 9 10` plays seed 9 again; `make soak` runs `python -m tests.world 0 100000`.
"""

import argparse
import gc
import logging
import os
import sys
import time
from collections.abc import Sequence
from functools import partial
from multiprocessing import get_context

from tests import statements
from tests.world.stories import HALF_HOUR, LONG, SHORT, Kind
from tests.world.world import Report, unsound

KINDS = {"short": SHORT, "half-hour": HALF_HOUR, "long": LONG}
PRINT_EVERY_S = 60.0
TOGETHER = 20  # seeds that a process takes at once


def play(seeds: range, kind: Kind) -> tuple[int, list[Report]]:
    """How many seeds, and the reports of those that are not sound."""
    return len(seeds), unsound(seeds, kind)


def main(arguments: Sequence[str]) -> int:
    """Seeds from FIRST up to but without END; returns an exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.world", description=__doc__)
    parser.add_argument("first", type=int, metavar="FIRST")
    parser.add_argument("end", type=int, metavar="END")
    parser.add_argument(
        "--kind", choices=KINDS, default="short", help="stories of a quarter of an hour, of half an hour or of an hour"
    )
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes; by default one a core")
    given = parser.parse_args(arguments)
    parts = [range(at, min(at + TOGETHER, given.end)) for at in range(given.first, given.end, TOGETHER)]
    begun_s = shown_s = time.monotonic()
    done = wrong = 0
    with get_context("fork").Pool(given.jobs, _begin) as pool:
        for count, reports in pool.imap_unordered(partial(play, kind=KINDS[given.kind]), parts):
            done, wrong = done + count, wrong + len(reports)
            for report in reports:
                print(report, flush=True)
            now_s = time.monotonic()
            if now_s - shown_s > PRINT_EVERY_S or done == given.end - given.first:
                shown_s = now_s
                print(f"{done} seeds, {done / (now_s - begun_s):.1f} seeds/s, {wrong} not sound", flush=True)
    return 1 if wrong else 0


def _begin() -> None:
    """What is loaded by now stays, so that collecting garbage need not go through it again and again."""
    logging.disable(logging.CRITICAL)
    statements.share()
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
