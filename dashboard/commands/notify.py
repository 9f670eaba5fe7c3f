"""The command `everymetre notify`: send unacknowledged alarms to people, step by step until somebody responds."""

import os
import signal
import sys
import threading
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Mapping
from pathlib import Path

import msgspec

from dashboard.commands import SUMMARIES
from dashboard.notifier import Notifier, Sender, connected
from monitor.contract.address import address
from monitor.contract.command import Command
from monitor.contract.config.load import ConfigurationError, load
from monitor.contract.config.works import Contact

EVERY_S = 0.5


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder")
    parser.add_argument("--broker", metavar="URL", help="mqtt://HOST:PORT (default: works.toml)")
    parser.add_argument(
        "--state", type=Path, default=Path(".run/notify.json"), metavar="FILE",
        help="alarms that wait for a response (default: .run/notify.json)",
    )  # fmt: skip
    parser.add_argument("--try", action="store_true", dest="trial", help="send a test to each contact, and exit")


def _run(options: Namespace) -> int:
    try:
        configuration = load(options.configs)
        works = configuration.works
        if not works.contact:
            raise ValueError("works.toml names nobody to notify: add a [[contact]] with name and address_file")
        senders = {contact.name: sender(contact) for contact in works.contact}
        if options.trial:
            return _try(senders)
        broker = works.broker.model_copy(update={"url": options.broker} if options.broker else {})
        at = address(broker)
        options.state.parent.mkdir(parents=True, exist_ok=True)
        notifier = Notifier(configuration, senders, options.state, time.time, _log)
    except (ConfigurationError, OSError, ValueError, msgspec.DecodeError) as error:
        print(error, file=sys.stderr)
        return 2
    ended = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ended.set())
    client = connected(works.works, at, broker, notifier, _log)
    client.loop_start()
    while not ended.wait(EVERY_S):
        notifier.tick()
    client.disconnect()
    client.loop_stop()
    return 0


def sender(contact: Contact, environ: Mapping[str, str] = os.environ) -> Sender:
    """What sends to all addresses of a contact. Raises ValueError or OSError where there is none that can be used."""
    try:
        import apprise
    except ModuleNotFoundError as error:
        raise ValueError("notifications need apprise: pip install everymetre[notify]") from error
    addresses = _addresses(contact, environ)
    services = []
    for number, one in enumerate(addresses, 1):
        service = apprise.Apprise()
        if not service.add(one):
            raise ValueError(f"contact {contact.name}: address {number} is not one that apprise knows")  # it is secret
        services.append(service)

    def send(subject: str, body: str) -> int:
        return sum(bool(service.notify(title=subject, body=body)) for service in services)

    return send


def _addresses(contact: Contact, environ: Mapping[str, str]) -> list[str]:
    if contact.address_file is not None:
        source, text = contact.address_file, Path(contact.address_file).read_text(encoding="utf-8")
    else:
        source = contact.address_variable or ""
        text = environ.get(source, "")
    found = [line.strip() for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if not found:
        raise ValueError(f"contact {contact.name}: expected an address a line in {source}, got none")
    return found


def _try(senders: Mapping[str, Sender]) -> int:
    """Send a test to each contact; 1 where one was not reached."""
    missed = 0
    for name, send in senders.items():
        taken = send("everymetre: test notification", "This is a test. No alarm is active because of it.")
        print(f"{name}: {'reached' if taken else 'NOT REACHED'}")
        missed += not taken
    return 1 if missed else 0


def _log(text: str) -> None:
    print(f"{time.strftime('%Y-%m-%d %H:%M:%S')} {text}", flush=True)


COMMAND = Command(SUMMARIES["notify"], _options, _run)
