"""A broker's address with its credentials, from the works' settings or a command line."""

import os
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from monitor.contract.config.works import Broker

DEFAULT_PORT = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerAddress:
    """Where a client connects and as whom. `repr` hides the password."""

    host: str
    port: int
    tls: bool = False
    user: str | None = None
    password: str | None = None
    ca_file: str | None = None

    def __repr__(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"

    def tls_context(self) -> ssl.SSLContext | None:
        """A context that checks the broker's certificate, or None without TLS."""
        return ssl.create_default_context(cafile=self.ca_file) if self.tls else None


def address(broker: Broker, environ: Mapping[str, str] = os.environ) -> BrokerAddress:
    """Address of the configured broker; reads the password from its file or variable.

    Raises ValueError, saying what to do, for another scheme, no host, or a named variable that is not set.
    """
    parts = urlsplit(broker.url)
    if parts.scheme not in DEFAULT_PORT or not parts.hostname:
        raise ValueError(f"expected mqtt://HOST:PORT or mqtts://HOST:PORT, got {broker.url!r}")
    return BrokerAddress(
        host=parts.hostname,
        port=parts.port or DEFAULT_PORT[parts.scheme],
        tls=parts.scheme == "mqtts",
        user=broker.user,
        password=_password(broker, environ),
        ca_file=broker.ca_file,
    )


def _password(broker: Broker, environ: Mapping[str, str]) -> str | None:
    if broker.password_file:
        return Path(broker.password_file).read_text(encoding="utf-8").rstrip("\r\n")
    if broker.password_variable:
        if broker.password_variable not in environ:
            raise ValueError(f"environment variable {broker.password_variable} is not set; set it to the password")
        return environ[broker.password_variable]
    return None
