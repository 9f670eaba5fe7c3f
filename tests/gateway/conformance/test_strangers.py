"""A publisher has to turn away a broker of another authority or of another name (R2)."""

import asyncio
import ssl
import subprocess
from pathlib import Path

import aiomqtt
import pytest

from monitor.contract.address import BrokerAddress
from monitor.gateway.conformance.strangers import Stranger, server_context, strangers
from tests.core.script import CONFIGS
from tests.ports import free_port

WRONG = ("of another authority", "of the site's authority for another host")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tls")
    subprocess.run([CONFIGS / "make-certificates.sh", folder, "localhost"], check=True, capture_output=True)
    return folder


def verifying(certificates: Path) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=certificates / "ca.crt")


def careless(certificates: Path) -> ssl.SSLContext:
    """As the shortest answer on the web has it."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


def nameless(certificates: Path) -> ssl.SSLContext:
    """It verifies the authority and no name."""
    context = verifying(certificates)
    context.check_hostname = False
    return context


async def met(stranger: Stranger, context: ssl.SSLContext) -> bool:
    """Whether a client with this context turned the stranger away."""
    at = BrokerAddress(host="localhost", port=free_port(), tls=True)

    async def connect() -> None:
        while True:
            with pytest.raises((aiomqtt.MqttError, OSError)):
                async with aiomqtt.Client(at.host, at.port, tls_context=context, timeout=5.0):
                    pass
            await asyncio.sleep(0.05)

    client = asyncio.create_task(connect())
    try:
        async with asyncio.timeout(60):
            return await stranger.meet(at)
    finally:
        client.cancel()


@pytest.mark.parametrize(
    ("context", "turned_away"),
    [(verifying, (True, True)), (careless, (False, False)), (nameless, (True, False))],
)
async def test_who_does_not_verify_is_seen(certificates, context, turned_away):
    found = strangers(certificates, "localhost")
    assert tuple(found) == WRONG
    for stranger, expected in zip(found.values(), turned_away, strict=True):
        assert await met(stranger, context(certificates)) is expected


async def test_the_site_s_own_broker_is_no_stranger(certificates):
    own = Stranger(server_context(certificates / "server.crt", certificates / "server.key"))
    assert not await met(own, verifying(certificates))
