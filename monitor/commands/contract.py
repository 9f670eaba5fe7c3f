"""Exports the contract for gateway developers: rules, JSON Schema of every message, an AsyncAPI document."""

import asyncio
import json
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

import msgspec

from monitor.commands import SUMMARIES
from monitor.contract import rules, topics
from monitor.contract.address import address
from monitor.contract.command import Command
from monitor.contract.config.load import ConfigurationError, load
from monitor.contract.messages import MONITOR_MESSAGES, STREAM_MESSAGES

DRAFT = "https://json-schema.org/draft/2020-12/schema"

# channel -> (address, message, who sends it, what it is)
CHANNELS = {
    "samples": ("{works}/{line}/{station}/{quantity}", "samples", "gateway", "Readings and events of one stream."),
    "state": ("{works}/{line}/line/" + topics.STATE, "state", "gateway", "What the line is doing."),
    "drum": ("{works}/{line}/{takeUp}/" + topics.DRUM, "drum", "gateway", "A drum change at the take-up."),
    "payoff": ("{works}/{line}/{payOff}/" + topics.PAYOFF, "payoff", "gateway", "A drum is put on at a pay-off."),
    "action": (f"{{works}}/{{line}}/{topics.OPERATOR}/{topics.ACTION}", "action", "gateway", "What a person did."),
    "limits": (f"{{works}}/{{line}}/{topics.OPERATOR}/{topics.LIMITS}", "limits", "gateway", "A change of limits."),
    "stored": (
        f"{{works}}/{{line}}/{topics.STORED}/{{station}}/{{quantity}}",
        "stored",
        "monitor",
        "What is stored of a stream.",
    ),
    "refused": (
        f"{{works}}/{{line}}/{topics.REFUSED}/{{station}}/{{quantity}}",
        "refused",
        "monitor",
        "A message that is not stored, and why.",
    ),
    "alarm": (f"{{works}}/{{line}}/{topics.MONITOR}/alarm", "alarm", "monitor", "A change of an alarm."),
    "event": (f"{{works}}/{{line}}/{topics.MONITOR}/event", "event", "monitor", "An event with its alarms, as it is."),
    "health": (
        f"{{works}}/{{line}}/{topics.MONITOR}/health",
        "health",
        "monitor",
        "Monitor status (retained message).",
    ),
}
PARAMETERS = {
    "works": "Name of the works, as in works.toml.",
    "line": "Name of the line.",
    "station": "Station of the line's file.",
    "quantity": "Quantity of that station.",
    "takeUp": "Station of the take-up.",
    "payOff": "Station where drums of earlier lines go in.",
}


def schemas() -> dict[str, dict[str, Any]]:
    """JSON Schema (2020-12) of every message, by name."""
    messages = STREAM_MESSAGES | MONITOR_MESSAGES
    _, parts = msgspec.json.schema_components(list(messages.values()), ref_template="#/$defs/{name}")
    made = {}
    for name, kind in messages.items():
        made[name] = {"$schema": DRAFT, "$id": f"everymetre:{name}", **parts[kind.__name__]}
    return made


def asyncapi() -> dict[str, Any]:
    """AsyncAPI 3.0 document of all channels."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "everymetre",
            "version": rules.VERSION,
            "description": (
                "Streams of a continuous cable line, MQTT 5 (3.1.1 accepted), QoS 1, JSON. Unknown fields are ignored. "
                "What a publisher has to do so that no message is lost:\n\n" + rules.document()
            ),
        },
        "defaultContentType": "application/json",
        "channels": {name: _channel(*entry) for name, entry in CHANNELS.items()},
        "operations": {f"{who}-{name}": _operation(name, who) for name, (_, _, who, _) in CHANNELS.items()},
        "components": {
            "messages": {name: {"name": name, "payload": schema} for name, schema in schemas().items()},
        },
    }


def _channel(address: str, message: str, _who: str, what: str) -> dict[str, Any]:
    named = {name: {"description": text} for name, text in PARAMETERS.items() if f"{{{name}}}" in address}
    return {
        "address": address,
        "description": what,
        "messages": {message: {"$ref": f"#/components/messages/{message}"}},
        "parameters": named,
    }


def _operation(channel: str, who: str) -> dict[str, Any]:
    """Actions are described from the side of the monitor, whose document this is."""
    return {
        "action": "receive" if who == "gateway" else "send",
        "channel": {"$ref": f"#/channels/{channel}"},
        "bindings": {"mqtt": {"qos": 1, "retain": channel == "health"}},
    }


def _options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--try",
        dest="at",
        metavar="URL",
        help="test a publisher over the broker at mqtt://HOST:PORT or mqtts://HOST:PORT; where there is none, over one "
        "of the test's own that listens there and can be killed",
    )
    parser.add_argument(
        "--certificates", type=Path, metavar="DIR", help="of make-certificates.sh: the test's own broker uses TLS"
    )
    parser.add_argument("--line", metavar="LINE", help="the line of that publisher")
    parser.add_argument(
        "--seconds",
        type=float,
        default=90.0,
        metavar="S",
        help="of them the test is made, and of what it waits for the publisher (90)",
    )
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument(
        "--out", type=Path, default=Path(".run/contract"), metavar="DIR", help="output folder (default: .run/contract)"
    )


def _run(options: Namespace) -> int:
    return _try(options) if options.at else _write(options)


def _try(options: Namespace) -> int:
    """Exit code 0 where every rule that was tried is kept, 1 where one is broken, 2 where the test cannot begin."""
    from monitor.gateway.conformance import trial

    try:
        configuration = load(options.configs)
        at = address(configuration.works.broker.model_copy(update={"url": options.at}))
        if options.line not in configuration.lines:
            raise ValueError(f"--line: expected one of {', '.join(configuration.lines)}, got {options.line}")
        line = configuration.lines[options.line]
        examiner = asyncio.run(trial.examine(configuration, line, at, options.seconds, options.certificates))
    except (ConfigurationError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    print(trial.sheet(examiner))
    return 0 if trial.passed(examiner) else 1


def _write(options: Namespace) -> int:
    options.out.mkdir(parents=True, exist_ok=True)
    files: dict[str, Any] = {f"{name}.schema.json": schema for name, schema in schemas().items()}
    files["asyncapi.json"] = asyncapi()
    for name, content in files.items():
        (options.out / name).write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")
    (options.out / "rules.md").write_text(rules.document(), encoding="utf-8")
    print(f"contract {rules.VERSION} in {options.out}: {', '.join(['rules.md', *sorted(files)])}")
    return 0


COMMAND = Command(SUMMARIES["contract"], _options, _run)
