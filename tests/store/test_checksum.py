"""The checksum of a stored message: any single bit that changes shows."""

import zlib
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.store.checksum import checksum, is_as_stored


@dataclass(frozen=True)
class Stored:
    station: str = "oven-b"
    quantity: str = "temperature"
    n: int = 60
    t_ms: int = 1_764_000_060_000
    end_ms: int = 1_764_000_060_500
    received_ms: int = 1_764_000_060_600
    payload: bytes = b'{"n": 60, "t": 1764000060000, "v": 321.0}'
    crc: int | None = None


def sealed(row: Stored) -> Stored:
    path = f"{row.station}/{row.quantity}"
    return replace(row, crc=checksum(path, row.n, row.t_ms, row.end_ms, row.received_ms, row.payload))


def test_the_polynomial_is_that_of_iso_3309():
    """CRC-32's published check value: 0xCBF43926 over the digits 1 to 9 (ITU-T V.42, ISO/IEC 3309; from memory)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    row = Stored()
    columns = b"oven-b/temperature 60 1764000060000 1764000060500 1764000060600"
    assert sealed(row).crc == zlib.crc32(columns + row.payload)


@given(at=st.integers(0, 8 * len(Stored.payload) - 1))
def test_a_flipped_bit_of_the_payload_shows(at):
    row = sealed(Stored())
    flipped = bytearray(row.payload)
    flipped[at // 8] ^= 1 << at % 8
    assert is_as_stored(row)
    assert not is_as_stored(replace(row, payload=bytes(flipped)))


@pytest.mark.parametrize(
    "changed",
    [
        {"station": "oven-a"},
        {"quantity": "temperaturf"},
        {"n": 61},
        {"t_ms": 1},
        {"end_ms": 2},
        {"received_ms": 3},
        {"crc": 4},
    ],
    ids=str,
)
def test_a_changed_column_shows(changed):
    assert not is_as_stored(replace(sealed(Stored()), **changed))


def test_a_message_of_an_older_program_has_none_and_is_taken_as_it_is():
    assert is_as_stored(Stored(crc=None))
