"""Runs at 500 messages a second that are disturbed at random, compared with one that is not: `make disturb`.

MINUTES, BROKERS, DATABASES, SEED and AT_ONCE choose what is run. Each combination ends with a line of JSON; the whole
ends with 1 where a record is not the same, and then leaves its folder.
"""

import json
import os
import shutil
import sys
import tempfile
import traceback
from concurrent.futures import ThreadPoolExecutor
from itertools import product
from pathlib import Path

from monitor.core.arrival import Arrival
from tests.shell.brokers import KINDS
from tests.shell.disturbed import DATABASES, PER_S, Outcome, Record, run, undisturbed
from tests.shell.long_script import MESSAGES_PER_S, long_script

MINUTES = float(os.environ.get("MINUTES", "8"))
BROKERS = os.environ.get("BROKERS", ",".join(KINDS)).split(",")
STORES = os.environ.get("DATABASES", ",".join(DATABASES)).split(",")
SEED = int(os.environ.get("SEED", "1"))
AT_ONCE = int(os.environ.get("AT_ONCE", "1"))


def main() -> None:
    """Print what each combination of broker and database came to."""
    folder = Path(tempfile.mkdtemp(prefix="everymetre-disturb-"))
    arrivals = long_script(round(MINUTES * 60 * PER_S / MESSAGES_PER_S))
    wanted = undisturbed(folder / "undisturbed", arrivals)
    print(f"{len(arrivals)} messages, {len(wanted['drums'])} drums, {len(wanted['findings'])} findings", flush=True)

    def one(combination: tuple[str, str]) -> bool:
        return _report(folder, *combination, arrivals, wanted)

    with ThreadPoolExecutor(AT_ONCE) as pool:
        equal = list(pool.map(one, product(BROKERS, STORES)))
    if not all(equal):
        sys.exit(f"not equal; stores and logs are in {folder}")
    shutil.rmtree(folder)


def _report(folder: Path, kind: str, database: str, arrivals: list[Arrival], wanted: Record) -> bool:
    """Run one combination and print what it came to; whether its record is the undisturbed one."""
    at, name = folder / f"{kind}-{database}", {"broker": kind, "database": database, "seed": SEED}
    at.mkdir()

    def report(text: str) -> None:
        print(f"  {kind}, {database}: {text}", flush=True)

    try:
        outcome = run(at, kind, database, arrivals, SEED, wanted, report)
    except Exception as error:  # noqa: BLE001 - the other combinations are run all the same
        traceback.print_exc()
        print(json.dumps(name | {"equal": False, "failed": str(error)[:300]}), flush=True)
        return False
    for part, text in outcome.differences.items():
        report(f"{part}: {text}")
    print(json.dumps(name | _numbers(outcome)), flush=True)
    return outcome.is_equal


def _numbers(outcome: Outcome) -> dict[str, object]:
    return {
        "messages": outcome.messages,
        "wall_s": round(outcome.wall_s, 1),
        "messages_per_s": round(outcome.messages / outcome.wall_s, 1),
        "disturbances": dict(sorted(outcome.disturbances.items())),
        "hours_moved": outcome.hours,
        "lost": outcome.lost,
        "doubled": outcome.doubled,
        "differences": sorted(outcome.differences),
        "equal": outcome.is_equal,
    }


if __name__ == "__main__":
    main()
