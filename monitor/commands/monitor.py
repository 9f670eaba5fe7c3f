"""The command `everymetre monitor`: monitor production lines, raise alarms and store process data."""

import logging
import sys
import time
from argparse import ArgumentParser, Namespace
from pathlib import Path

from monitor.commands import SUMMARIES
from monitor.contract.address import address
from monitor.contract.command import Command
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import ConfigurationError, load
from monitor.contract.lifeline import live_by_stdin
from monitor.shell.service import watch
from monitor.store.lease import hold


def _options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--broker", metavar="URL", help="mqtt://HOST:PORT or mqtts://HOST:PORT (overrides works.toml)")
    parser.add_argument("--store", metavar="DIR", help="folder of the record (overrides works.toml)")
    parser.add_argument(
        "--lines", metavar="LINE,LINE", help="monitor only these lines; other processes may monitor the rest"
    )
    parser.add_argument(
        "--lifeline", action="store_true", help="exit when standard input closes (used by `everymetre run`)"
    )


def configured(options: Namespace) -> Configuration:
    """Configuration with the values of the command line. Raises ConfigurationError or ValueError."""
    c = load(options.configs)
    works = c.works
    if options.broker:
        works = works.model_copy(update={"broker": works.broker.model_copy(update={"url": options.broker})})
    if options.store:
        works = works.model_copy(update={"store": works.store.model_copy(update={"folder": options.store})})
    return c.model_copy(update={"works": works})


def _chosen(configuration: Configuration, lines: str | None) -> list[str]:
    chosen = lines.split(",") if lines else list(configuration.lines)
    unknown = sorted(set(chosen) - set(configuration.lines))
    if unknown:
        known = ", ".join(configuration.lines)
        raise ValueError(f"--lines: no line {', '.join(unknown)}; this plant has {known}")
    return chosen


def _run(options: Namespace) -> int:
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", stream=sys.stdout)
    try:
        configuration = configured(options)
        lines = _chosen(configuration, options.lines)
        at = address(configuration.works.broker)
    except (ConfigurationError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    if options.lifeline:
        live_by_stdin()
    with hold(configuration.works.store, lines, time.time()) as lease:
        return watch(configuration, lines, at, lease)


COMMAND = Command(SUMMARIES["monitor"], _options, _run)
