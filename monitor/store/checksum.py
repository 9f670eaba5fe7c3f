"""A checksum of each stored message: SQLite would not notice a bit that changes in one."""

import zlib
from typing import Protocol


class Row(Protocol):
    """A message as the database holds it; `crc` is None where an older program stored it."""

    @property
    def station(self) -> str: ...
    @property
    def quantity(self) -> str: ...
    @property
    def n(self) -> int: ...
    @property
    def t_ms(self) -> int: ...
    @property
    def end_ms(self) -> int: ...
    @property
    def received_ms(self) -> int: ...
    @property
    def payload(self) -> bytes: ...
    @property
    def crc(self) -> int | None: ...


def checksum(path: str, n: int, t_ms: int, end_ms: int, received_ms: int, payload: bytes) -> int:
    """CRC-32 over a message of the stream `path`: its columns and its bytes."""
    return zlib.crc32(payload, zlib.crc32(f"{path} {n} {t_ms} {end_ms} {received_ms}".encode()))


def is_as_stored(row: Row) -> bool:
    """Whether a message is what was stored, as far as anything shows."""
    path = f"{row.station}/{row.quantity}"
    found = checksum(path, row.n, row.t_ms, row.end_ms, row.received_ms, row.payload)
    return row.crc is None or row.crc == found
