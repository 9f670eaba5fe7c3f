"""Runs a recording through the engine: straight, with or without a store, or live over MQTT."""

import asyncio
import sys
import time
from argparse import ArgumentParser, Namespace
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import aiomqtt

from monitor.commands import SUMMARIES
from monitor.contract.address import address
from monitor.contract.command import Command
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import ConfigurationError, load
from monitor.contract.config.works import Store
from monitor.contract.record import AlarmChange, CounterFault, Finding, Gap, LineEvent, Output, Rejected
from monitor.core.arrival import Arrival
from monitor.core.decode import Decoder
from monitor.core.engine import Engine
from monitor.shell.broker_link import Received
from monitor.shell.processor import Processor
from monitor.shell.recording import Mapping, arrivals, read_mapping, read_rows
from monitor.store.lease import hold
from monitor.store.writer import Writer

BATCH = 2000
LISTED = 40


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("file", type=Path, help="CSV or Parquet: time, stream, value; or as the mapping says")
    parser.add_argument("--line", required=True, help="the line whose configuration and recipes apply")
    parser.add_argument("--mapping", type=Path, help="TOML file: which column is which stream")
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument(
        "--store", metavar="DIR", help="store the results in this folder; it must hold no data of this line"
    )
    parser.add_argument(
        "--live",
        action="store_true",
        help="publish to the broker, with time stamps shifted so that the recording ends now",
    )
    parser.add_argument("--broker", metavar="URL", help="with --live: broker address (overrides works.toml)")
    parser.add_argument("--pace", type=float, default=1.0, help="with --live: speed factor (default: 1)")


def _run(options: Namespace) -> int:
    try:
        configuration = load(options.configs)
        if options.line not in configuration.lines:
            raise ValueError(f"--line: no line {options.line!r}; this plant has {', '.join(configuration.lines)}")
        mapping = read_mapping(options.mapping) if options.mapping else Mapping()
        rows = read_rows(options.file, mapping)
        works = configuration.works.works
        if options.live:
            return asyncio.run(_live(options, configuration, mapping))
        found = arrivals(rows, mapping, works, configuration.lines[options.line])
        outputs, late = (_keep if options.store else _feed)(options, configuration, found)
    except (ConfigurationError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    print(f"{options.file}: {len(rows.t_s)} samples of {len(set(rows.path))} stream(s) in {len(found)} messages")
    print_summary(outputs, late)
    return 0


def widened(configuration: Configuration) -> Configuration:
    """A recording may be of any age: stamps are compared with each other, not with today."""
    wire = configuration.works.wire.model_copy(update={"behind_max_s": 1e12})
    return configuration.model_copy(update={"works": configuration.works.model_copy(update={"wire": wire})})


def _feed(
    options: Namespace, configuration: Configuration, found: Sequence[Arrival]
) -> tuple[list[Output], dict[str, int]]:
    configuration = widened(configuration)
    decoder, engine = Decoder.of(configuration), Engine.of(configuration)
    outputs: list[Output] = []
    for start in range(0, len(found), BATCH):
        messages, rejected = decoder.by_line(found[start : start + BATCH])
        outputs += [*rejected, *engine.feed(messages)]
    return outputs, dict(engine.pipelines[options.line].now().extra["late"])


def _keep(
    options: Namespace, configuration: Configuration, found: Sequence[Arrival]
) -> tuple[list[Output], dict[str, int]]:
    """Through the monitor's own processor and writer, so that the record equals the monitor's."""
    configuration = widened(configuration)
    store = Store(folder=options.store)
    with hold(store, [options.line], time.time()):
        return _write(options, configuration, found, store)


def _write(
    options: Namespace, configuration: Configuration, found: Sequence[Arrival], store: Store
) -> tuple[list[Output], dict[str, int]]:
    writer = Writer(store)
    if any(stream.line == options.line for stream in writer.ledger.streams):
        raise ValueError(f"{options.store} holds a record of {options.line} already; give a folder without one")
    configuration = configuration.model_copy(update={"works": configuration.works.model_copy(update={"store": store})})
    engine = Engine.of(configuration)
    processor = Processor(configuration=configuration, writer=writer, engine=engine)
    outputs: list[Output] = []
    for start in range(0, len(found), BATCH):
        batch = processor.take([Received(a, _nothing) for a in found[start : start + BATCH]], found[start].received_s)
        outputs += processor.write(batch).outputs
    writer.write(processor.last_batch())
    processor.roll()
    writer.close()
    return outputs, dict(engine.pipelines[options.line].now().extra["late"])


def _nothing() -> None:
    """A recording is not acknowledged."""


async def _live(options: Namespace, configuration: Configuration, mapping: Mapping) -> int:
    """Publish with stamps moved so that the last row is stamped with the time at which it is sent."""
    rows, works = read_rows(options.file, mapping), configuration.works
    if options.broker:
        works = works.model_copy(update={"broker": works.broker.model_copy(update={"url": options.broker})})
    duration_s = float(rows.t_s.max() - rows.t_s.min())
    begun_s = time.time()
    ends_s = begun_s + duration_s / options.pace
    if duration_s - duration_s / options.pace > works.wire.behind_max_s:
        days = works.wire.behind_max_s / 86400
        raise ValueError(
            f"at pace {options.pace:g} the first stamps would lie more than {days:g} days back, "
            "which the monitor refuses: replay it straight, or in parts"
        )
    shift_s = ends_s - float(rows.t_s.max())
    line = configuration.lines[options.line]
    found = arrivals(rows, mapping, works.works, line, shift_s, start=round(begun_s * 1e3))
    at, first_s = address(works.broker), found[0].received_s
    async with aiomqtt.Client(
        at.host, at.port, username=at.user, password=at.password, tls_context=at.tls_context(),
        protocol=aiomqtt.ProtocolVersion.V5,
    ) as client:  # fmt: skip
        for arrival in found:
            due_s = begun_s + (arrival.received_s - first_s) / options.pace
            await asyncio.sleep(max(0.0, due_s - time.time()))
            await client.publish(arrival.topic, arrival.payload, qos=1)
    print(f"{options.file}: {len(found)} messages published to {at!r}")
    return 0


def print_summary(outputs: Sequence[Output], late: dict[str, int]) -> None:
    """Print a summary of the recording's results."""
    raised = Counter(o.alarm for o in outputs if isinstance(o, AlarmChange) and o.event == "raised")
    print("alarms raised: " + (", ".join(f"{name} {n}" for name, n in sorted(raised.items())) or "none"))
    events = {o.event: o.kind for o in outputs if isinstance(o, LineEvent)}
    print("events: " + (", ".join(f"{kind} {n}" for kind, n in sorted(Counter(events.values()).items())) or "none"))
    findings = list({o.key: o for o in outputs if isinstance(o, Finding)}.values())
    for kind, count in sorted(Counter(f.kind for f in findings).items()):
        print(f"findings, {kind}: {count}")
    for f in sorted(findings, key=lambda f: f.start_s)[:LISTED]:
        print("  " + _line_of(f))
    if len(findings) > LISTED:
        print(f"  and {len(findings) - LISTED} more: keep a record with --store and look at it on the pages")
    holes, faults = [o for o in outputs if isinstance(o, Gap)], [o for o in outputs if isinstance(o, CounterFault)]
    print(f"missing messages: {sum(h.last - h.first + 1 for h in holes)}; faults of the counter: {len(faults)}")
    print("late, left out: " + (", ".join(f"{path} {n}" for path, n in sorted(late.items())) or "none"))
    refused = Counter(o.kind for o in outputs if isinstance(o, Rejected))
    print("refused: " + (", ".join(f"{kind} {n}" for kind, n in sorted(refused.items())) or "none"))


def _line_of(f: Finding) -> str:
    start, end = _iso(f.start_s), "still open" if f.end_s is None else _iso(f.end_s)
    extreme = (
        "" if f.extreme is None else f", {f.extreme:g} {f.unit} against {f.limit:g}" if f.limit is not None else ""
    )
    metres = f"{f.start_m:.1f} to " + ("?" if f.end_m is None else f"{f.end_m:.1f}") + " m"
    return f"{start} to {end}  {f.stream} {f.check}{extreme}, {metres}"


def _iso(t_s: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(t_s))


COMMAND = Command(SUMMARIES["replay"], _options, _run)
