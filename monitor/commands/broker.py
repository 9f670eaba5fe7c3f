"""The embedded MQTT broker for the demo: on loopback only, nothing to install."""

import signal
import sys
import tempfile
import threading
from argparse import ArgumentParser, Namespace
from importlib.util import find_spec
from pathlib import Path

from monitor.commands import SUMMARIES
from monitor.contract.address import BrokerAddress, address
from monitor.contract.command import CannotRunError, Command
from monitor.contract.config.load import ConfigurationError, load
from monitor.contract.lifeline import live_by_stdin

NOT_INSTALLED = (
    "the embedded broker is not installed: `pip install everymetre[demo]`, or start another broker and name it in "
    "works.toml, [broker] url"
)

# Payloads beyond 20 KiB are dropped silently unless this is raised.
PAYLOAD_BYTES = 2 * 1024 * 1024

CONFIGURATION = """
id = 0

[router]
id = 0
max_connections = 10010
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "v5"
listen = "{host}:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = {payload}
max_inflight_count = 100
dynamic_filters = true

[v4.1]
name = "v4"
listen = "{host}:{port_v4}"
next_connection_delay_ms = 1

[v4.1.connections]
connection_timeout_ms = 60000
max_payload_size = {payload}
max_inflight_count = 100
dynamic_filters = true
"""


def _options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--port", type=int, help="port for MQTT 5; MQTT 3.1.1 uses the next one")
    parser.add_argument(
        "--lifeline", action="store_true", help="exit when standard input closes (used by `everymetre run`)"
    )


def _run(options: Namespace) -> int:
    try:
        at = (
            BrokerAddress(host="127.0.0.1", port=options.port)
            if options.port
            else address(load(options.configs).works.broker)
        )
    except (ConfigurationError, ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    if at.host not in ("127.0.0.1", "localhost", "::1"):
        print(
            f"the embedded broker serves this machine only; {at!r} names another: start no broker here", file=sys.stderr
        )
        return 2
    if options.lifeline:
        live_by_stdin()
    return serve(at)


def serve(at: BrokerAddress) -> int:
    """Run the broker until a signal; returns 1 with a message where a port is in use or it failed.

    CannotRunError where it is not installed.
    """
    if find_spec("iotcore") is None:
        raise CannotRunError(NOT_INSTALLED)
    from iotcore import Broker

    stop = threading.Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, lambda *_: stop.set())
    with tempfile.TemporaryDirectory(prefix="everymetre-broker-") as folder:
        file = Path(folder) / "broker.toml"
        file.write_text(
            CONFIGURATION.format(host="127.0.0.1", port=at.port, port_v4=at.port + 1, payload=PAYLOAD_BYTES),
            encoding="utf-8",
        )
        broker = Broker(config_path=str(file))
        try:
            broker.start()
        except (OSError, RuntimeError) as error:
            print(f"the broker cannot start: {error}", file=sys.stderr)
            return 1
        print(f"broker on 127.0.0.1: port {at.port} for MQTT 5, port {at.port + 1} for MQTT 3.1.1", flush=True)
        while not stop.wait(0.5):
            if not broker.is_running:
                print("the broker stopped unexpectedly", file=sys.stderr)
                return 1
        broker.stop()
    return 0


COMMAND = Command(SUMMARIES["broker"], _options, _run)
