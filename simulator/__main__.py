"""The command `everymetre simulate`: simulates the lines of a scenario and publishes their data over MQTT."""

import asyncio
import os
import signal
import stat
import sys
import time
from argparse import ArgumentParser, Namespace, RawDescriptionHelpFormatter
from pathlib import Path

from monitor.contract.address import BrokerAddress, address
from monitor.contract.command import Command
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import ConfigurationError, load
from simulator import resume
from simulator.commands import SUMMARIES
from simulator.line import simulate_all
from simulator.pace import Pace, begin
from simulator.publisher import Publisher
from simulator.scenario import Scenario, load_scenario

ENDING = """
At --pace 1 the lines run in real time from now on, without end.
At a higher pace the run begins in the past, as long ago as the scenario lasts (or --minutes), so that it reaches the
clock at its end; without --minutes it then goes on in real time. At --pace 0 that past is published at once.
A restart continues from the saved state (metres, drums, and never earlier in time): see --state-dir,
and --reset for a new record.
"""


def _options(parser: ArgumentParser) -> None:
    parser.formatter_class = RawDescriptionHelpFormatter
    parser.epilog = ENDING
    parser.add_argument("--configs", type=Path, default=Path("configs"), metavar="FOLDER", help="the configuration")
    parser.add_argument("--scenario", default="demo", metavar="NAME", help="one of configs/scenarios (default: demo)")
    parser.add_argument(
        "--pace", type=float, default=1.0, metavar="N", help="speed factor; 0: as fast as possible (default: 1)"
    )
    parser.add_argument("--minutes", type=float, metavar="M", help="stop after so many simulated minutes")
    parser.add_argument("--lines", nargs="+", metavar="LINE", help="only these lines of the scenario")
    parser.add_argument("--broker", metavar="URL", help="mqtt://HOST:PORT or mqtts://; else as in works.toml")
    parser.add_argument("--truth", type=Path, metavar="FOLDER", help="write what really happened to FOLDER/LINE.json")
    parser.add_argument(
        "--state-dir",
        dest="left",
        type=Path,
        metavar="FOLDER",
        help="folder of the saved state of lines (default: .run/simulator beside configs)",
    )
    parser.add_argument(
        "--reset",
        dest="reset",
        action="store_true",
        help="discard the saved state; begin at the metre and drum of the scenario",
    )
    parser.add_argument("--lifeline", action="store_true", help="stop when the standard input, a pipe, ends")


def _run(options: Namespace) -> int:
    try:
        publisher = _publisher(options)
    except (ConfigurationError, FileNotFoundError, ValueError) as error:
        print(f"simulate: {error}", file=sys.stderr)
        return 2
    return asyncio.run(_until_stopped(publisher, options.lifeline))


def _publisher(options: Namespace) -> Publisher:
    configuration = load(options.configs)
    scenario = load_scenario(options.configs, options.scenario, configuration)
    duration_s = options.minutes * 60.0 if options.minutes else scenario.duration_s
    pace = begin(options.pace, time.time(), duration_s)
    folder = options.left or options.configs.resolve().parent / ".run" / "simulator"
    lines = _lines(options, scenario)
    left = {line: None if options.reset else resume.read(folder, line) for line in lines}
    for line in lines if options.reset else ():
        for path in folder.glob(f"{line}.outbox*"):
            path.unlink()
    start_s = max([pace.start_s, *(one.until_s for one in left.values() if one)])
    pace = Pace(pace.pace, start_s, pace.begun_s)
    runs = simulate_all(scenario, configuration, lines, start_s, left, round(time.time() * 1e3))
    until_s = start_s + duration_s if options.minutes else None
    broker = _broker(options.broker, configuration)
    return Publisher(
        works=configuration.works.works,
        runs=runs,
        pace=pace,
        until_s=until_s,
        broker=broker,
        log=_log,
        truth_folder=options.truth,
        left_folder=folder,
    )


def _lines(options: Namespace, scenario: Scenario) -> list[str]:
    unknown = set(options.lines or []) - set(scenario.scripts)
    if unknown:
        known = ", ".join(scenario.scripts)
        raise ValueError(f"--lines: scenario {scenario.scenario} contains {known}, not {', '.join(sorted(unknown))}")
    return options.lines or list(scenario.scripts)


def _broker(url: str | None, configuration: Configuration) -> BrokerAddress:
    broker = configuration.works.broker
    return address(broker.model_copy(update={"url": url}) if url else broker)


def _log(text: str) -> None:
    print(f"simulate: {text}", flush=True)


async def _until_stopped(publisher: Publisher, lifeline: bool) -> int:
    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(name, stop.set)
    if lifeline and _is_pipe(sys.stdin.fileno()):
        loop.add_reader(sys.stdin.fileno(), _watch, stop)
    work = asyncio.create_task(publisher.publish(), name="publish")
    asked = asyncio.create_task(stop.wait(), name="stop")
    await asyncio.wait({work, asked}, return_when=asyncio.FIRST_COMPLETED)
    for task in (work, asked):
        task.cancel()
    results = await asyncio.gather(work, asked, return_exceptions=True)
    if isinstance(results[0], Exception):
        raise results[0]
    return 0


def _is_pipe(file: int) -> bool:
    mode = os.fstat(file).st_mode
    return stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)


def _watch(stop: asyncio.Event) -> None:
    """Whoever started us holds the other end of the standard input; it is gone when that ends."""
    if not os.read(sys.stdin.fileno(), 4096):
        asyncio.get_running_loop().remove_reader(sys.stdin.fileno())
        stop.set()


COMMAND = Command(SUMMARIES["simulate"], _options, _run)
