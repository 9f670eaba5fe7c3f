"""Runs at 500 messages a second that are disturbed at random, compared with one that is not: `make disturb`.

MINUTES, BROKERS, DATABASES, SEED and AT_ONCE choose what is run; it ends with 1 where a record is not the same.
"""

import os
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from itertools import product
from pathlib import Path

from tests.shell.brokers import KINDS
from tests.shell.disturbed import DATABASES, PER_S, Outcome, run, undisturbed
from tests.shell.long_story import MESSAGES_PER_S, long_story

MINUTES = float(os.environ.get("MINUTES", "8"))
BROKERS = os.environ.get("BROKERS", ",".join(KINDS)).split(",")
STORES = os.environ.get("DATABASES", ",".join(DATABASES)).split(",")
SEED = int(os.environ.get("SEED", "1"))
AT_ONCE = int(os.environ.get("AT_ONCE", "1"))


def main() -> None:
    """Print what each combination of broker and database came to."""
    arrivals = long_story(round(MINUTES * 60 * PER_S / MESSAGES_PER_S))
    with tempfile.TemporaryDirectory(prefix="everymetre-disturb-") as name, ThreadPoolExecutor(AT_ONCE) as pool:
        folder = Path(name)
        wanted = undisturbed(folder / "undisturbed", arrivals)
        print(f"{len(arrivals)} messages, {len(wanted['drums'])} drums, {len(wanted['findings'])} findings", flush=True)

        def one(combination: tuple[str, str]) -> bool:
            kind, database = combination
            at = folder / f"{kind}-{database}"
            at.mkdir()

            def say(text: str) -> None:
                print(f"  {kind}, {database}: {text}", flush=True)

            outcome = run(at, kind, database, arrivals, SEED, wanted, say)
            print(f"{kind}, {database}, seed {SEED}: {_words(outcome)}", flush=True)
            return outcome.is_equal

        if not all(list(pool.map(one, product(BROKERS, STORES)))):
            sys.exit(1)


def _words(outcome: Outcome) -> str:
    done = ", ".join(f"{count} {what}" for what, count in sorted(outcome.disturbances.items()))
    differences = "".join(f"\n  {name}: {text}" for name, text in outcome.differences.items())
    return (
        f"{outcome.messages} messages in {outcome.wall_s / 60:.1f} min ({outcome.messages / outcome.wall_s:.0f} a "
        f"second), {outcome.disturbances.total()} disturbances ({done}): lost {outcome.lost}, doubled "
        f"{outcome.doubled}, record {'equal' if outcome.is_equal else 'NOT equal'}{differences}"
    )


if __name__ == "__main__":
    main()
