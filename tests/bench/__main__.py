"""`make bench`: every bench but the disturbed runs, or those named on the command line."""

import sys
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec

BENCHES = ("engine", "mqtt", "latency", "memory", "trend", "cure", "rehearse", "recur", "soak", "year")
LONG = ("disturb",)


def main(names: list[str]) -> int:
    """Run benches by name; returns an exit code."""
    unknown = sorted(set(names) - {*BENCHES, *LONG})
    if unknown:
        print(f"no bench {', '.join(unknown)}; there are {', '.join(BENCHES + LONG)}", file=sys.stderr)
        return 2
    for name in names or BENCHES:
        if find_spec(f"tests.bench.bench_{name}"):
            print(f"\n== {name}", flush=True)
            run: Callable[[], None] = import_module(f"tests.bench.bench_{name}").main
            run()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
