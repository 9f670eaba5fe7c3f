"""Brokers that are not the site's, for a publisher under trial to turn away (R2): another authority, another name."""

import asyncio
import ssl
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from monitor.contract.address import BrokerAddress

OPENSSL_S = 30.0
SPEAKS_S = 5.0  # a client that has accepted a certificate sends its CONNECT at once
OTHER_NAME = "another-broker.invalid"

_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")


@dataclass(slots=True)
class Stranger:
    """Listens with a certificate that no client should accept, and notes what comes."""

    context: ssl.SSLContext
    tries: int = 0
    trusted: int = 0

    async def meet(self, at: BrokerAddress) -> bool:
        """Wait for the first client; whether it turned away. Raises OSError where the port is taken."""
        met = asyncio.Event()

        async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            self.tries += 1
            try:
                async with asyncio.timeout(SPEAKS_S):
                    await writer.start_tls(self.context)
                    self.trusted += bool(await reader.read(1))
            except (OSError, TimeoutError):
                pass
            writer.transport.abort()
            met.set()

        async with await asyncio.start_server(take, at.host, at.port):
            await met.wait()
        return not self.trusted


def server_context(certificate: Path, key: Path) -> ssl.SSLContext:
    """What a broker shows. Raises OSError or ssl.SSLError where the files are not there or do not belong together."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    return context


def strangers(certificates: Path, host: str) -> dict[str, Stranger]:
    """Strangers by what is wrong with them. `certificates` is a folder of `make-certificates.sh`.

    Without its ca.key nothing can be signed for another name. Raises OSError where openssl does not do it.
    """
    with tempfile.TemporaryDirectory() as folder:
        key, certificate = Path(folder) / "key", Path(folder) / "certificate"
        subject = ("-subj", f"/CN={host}", "-addext", f"subjectAltName={_alternative(host)}")
        _openssl("req", "-x509", *_KEY, "-days", "1", *subject, "-keyout", str(key), "-out", str(certificate))
        found = {"of another authority": Stranger(server_context(certificate, key))}
        authority, authority_key = certificates / "ca.crt", certificates / "ca.key"
        if authority_key.exists():
            subject = ("-subj", f"/CN={OTHER_NAME}", "-addext", f"subjectAltName=DNS:{OTHER_NAME}")
            by = ("-CA", str(authority), "-CAkey", str(authority_key))
            _openssl("req", "-x509", *_KEY, "-days", "1", *subject, *by, "-keyout", str(key), "-out", str(certificate))
            found["of the site's authority for another host"] = Stranger(server_context(certificate, key))
        return found


def _alternative(host: str) -> str:
    return f"IP:{host}" if host.replace(".", "").isdigit() else f"DNS:{host}"


def _openssl(*words: str) -> None:
    done = subprocess.run(["openssl", *words], capture_output=True, text=True, timeout=OPENSSL_S, check=False)
    if done.returncode:
        raise OSError(f"openssl {words[0]} failed: {done.stderr.strip().splitlines()[-1:]}")
