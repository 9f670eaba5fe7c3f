"""The command `everymetre notify`, with a broker, a mail server and a web hook."""

import contextlib
import json
import shutil
import threading
from collections.abc import Iterator
from email import message_from_bytes
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from paho.mqtt import publish

from dashboard.commands.notify import sender
from monitor.contract.config.works import Contact
from tests.dashboard.test_notifier import T0_MS, TOPIC, alarm
from tests.ports import free_port
from tests.shell.brokers import Process, broker, everymetre
from tests.shell.works import until


def test_an_address_that_cannot_be_used_is_refused_without_being_shown(tmp_path):
    secret = tmp_path / "addresses"
    secret.write_text("# night\nmailto://mira:very-secret@\nnonsense://very-secret\n")
    with pytest.raises(ValueError, match=r"address \d") as refused:
        sender(Contact(name="night", address_file=str(secret)))
    assert "very-secret" not in str(refused.value)
    with pytest.raises(ValueError, match="expected an address a line in NOBODY"):
        sender(Contact(name="night", address_variable="NOBODY"), {})


class Mail:
    """Keeps the mail it gets."""

    def __init__(self) -> None:
        self.got: list[bytes] = []

    async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:
        self.got.append(envelope.content)
        return "250 OK"


@pytest.fixture
def mail() -> Iterator[tuple[Mail, int]]:
    kept, port = Mail(), free_port()
    server = Controller(kept, hostname="127.0.0.1", port=port)
    server.start()
    yield kept, port
    server.stop()


@pytest.fixture
def hook() -> Iterator[tuple[list[dict], int]]:
    got: list[dict] = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

    server = ThreadingHTTPServer(("127.0.0.1", 0), Hook)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield got, server.server_port
    server.shutdown()


def test_the_command_sends_by_mail_and_web_hook_what_came_while_it_was_away_too(tmp_path, mail, hook):
    (mailbox, smtp), (hooked, http) = mail, hook
    addresses = tmp_path / "addresses"
    addresses.write_text(
        f"mailto://127.0.0.1:{smtp}/?from=monitor@tarn.test&to=mira@tarn.test&mode=insecure\njson://127.0.0.1:{http}/\n"
    )
    configs = tmp_path / "configs"
    copy_of_configs(configs, f'[[contact]]\nname = "operator"\naddress_file = "{addresses}"\n')
    port = free_port()
    with contextlib.ExitStack() as stack:
        server = broker("mosquitto", tmp_path, port)
        stack.callback(server.kill)
        server.start()
        words = everymetre("notify", "--configs", str(configs), "--broker", f"mqtt://127.0.0.1:{port}",
                           "--state", str(tmp_path / "state.json"))  # fmt: skip
        log = tmp_path / "log"
        command = Process(words, log, ready=lambda: log.exists() and "connected to" in log.read_text())
        stack.callback(command.kill)
        command.start()
        publish.single(TOPIC, alarm(), qos=1, hostname="127.0.0.1", port=port)
        until(lambda: len(mailbox.got) == 1 and len(hooked) == 1)
        command.kill()
        publish.single(TOPIC, alarm(occurrence=T0_MS + 1), qos=1, hostname="127.0.0.1", port=port)
        command.start()
        until(lambda: len(mailbox.got) == 2 and len(hooked) == 2)
    assert message_from_bytes(mailbox.got[0], policy=default)["Subject"].startswith("high alarm, Core line 1")
    assert hooked[0]["title"].startswith("high alarm, Core line 1")


def copy_of_configs(folder: Path, more: str) -> None:
    shutil.copytree(Path(__file__).parents[3] / "configs", folder)
    works = folder / "works.toml"
    works.write_text(works.read_text() + "\n" + more)
