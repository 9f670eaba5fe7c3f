"""Parquet files of a store: written whole, read with their checksums, set aside where they are damaged."""

import errno
import hashlib
import logging
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

DAMAGE = (OSError, pa.ArrowException)  # what reading a file raises that was cut, altered or removed

VERIFY_EVERY_S = 60.0
ASIDE = ".damaged-"  # in the name of a file that was set aside

LOG = logging.getLogger("monitor")


def write_whole(
    path: Path, schema: pa.Schema, tables: Iterable[pa.Table], announce: Callable[[Path], object] = bool
) -> None:
    """Write aside, flush to disk, rename: the name never holds half a file. Tables come one after the other.

    `announce` is called with the whole file before it gets its name.
    """
    for _ in write_each(path, schema, tables, announce):
        pass


def write_each(
    path: Path, schema: pa.Schema, tables: Iterable[pa.Table], announce: Callable[[Path], object] = bool
) -> Iterator[None]:
    """As `write_whole`, a table a step; the file gets its name in the step after the last table.

    Where it is not finished, what was written of it is removed: a full disk needs the room.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_suffix(".aside")
    try:
        with aside.open("wb") as file:
            with pq.ParquetWriter(file, schema, compression="zstd", write_page_checksum=True) as writer:
                for table in tables:
                    writer.write_table(table, row_group_size=65_536)
                    yield
            file.flush()
            os.fsync(file.fileno())
        announce(aside)
        aside.replace(path)
    except BaseException:
        with suppress(OSError):
            aside.unlink(missing_ok=True)
        raise
    flush_folder(path.parent)


def flush_folder(folder: Path) -> None:
    """Make renames in a folder durable."""
    at = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(at)
    finally:
        os.close(at)


def damage(path: Path) -> str:
    """What is wrong with a file, in one line; empty where every page of it can be read.

    OSError where that cannot be found out now.
    """
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            for _ in file.iter_batches():
                pass
    except DAMAGE as error:
        if may_pass(error):
            raise
        return why(error)
    return ""


def may_pass(error: BaseException) -> bool:
    """Whether an error is the system's (too many open files, a share away) and proves nothing about a file's content.

    What Arrow finds wrong with the content has no number.
    """
    return getattr(error, "errno", None) not in (None, errno.ENOENT)


def sha256(file: Path) -> str:
    """Digest of a file's bytes, in hexadecimal. OSError where it cannot be read."""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def verify(path: Path, digests: Collection[str], now_s: float) -> None:
    """Compare a file with the digests that it may have, at most once a minute (`now_s` is monotonic).

    One that has none of them is answered as missing from then on, also what could still be read of it.
    """
    if known_unreadable(path) or now_s - _VERIFIED_S.get(path, -VERIFY_EVERY_S) < VERIFY_EVERY_S:
        return
    try:
        if sha256(path) in digests:
            _VERIFIED_S[path] = now_s
            return
    except OSError as error:
        log_unreadable(path, error)
        return
    log_unreadable(path, pa.ArrowInvalid("it is not what was written"))


def read(path: Path, columns: Sequence[str] | None = None) -> pa.Table:
    """A whole file, its checksums verified. One of DAMAGE where it is damaged or missing."""
    with pq.ParquetFile(path, page_checksum_verification=True) as file:  # pq.read_table would import pandas
        return file.read(columns)


def read_or_log(path: Path, columns: Sequence[str] | None = None) -> pa.Table | None:
    """A whole file; None, logged once, where it is damaged or missing."""
    if known_unreadable(path):
        return None
    try:
        return read(path, columns)
    except DAMAGE as error:
        log_unreadable(path, error)
        return None


def why(error: BaseException) -> str:
    """The first line of an error, with its kind."""
    return f"{type(error).__name__}: {str(error).partition(chr(10))[0]}"


def name_aside(path: Path) -> Path:
    """The name that a damaged file gets: nothing reads it there, and whoever repairs it finds it."""
    number = 1
    while (aside := path.with_name(f"{path.name}{ASIDE}{number}")).exists():
        number += 1
    return aside


def set_aside(path: Path, aside: Path, reason: str) -> None:
    """Give a damaged file its other name, and log it."""
    path.rename(aside)
    flush_folder(path.parent)
    LOG.error("%s is damaged and was set aside as %s; what it held is missing (%s)", path, aside.name, reason)


def log_unreadable(path: Path, error: BaseException) -> None:
    """Log once in the process that the span of a file is answered as unverified; remember it while it is unchanged."""
    if not may_pass(error):
        _UNREADABLE[path] = _stamp(path)
    if path not in _LOGGED:
        _LOGGED.add(path)
        LOG.warning("%s cannot be read (%s): what it holds is answered as missing", path, why(error))


def known_unreadable(path: Path) -> bool:
    """Whether reading any column of a file failed in this process, and the file is as it was then."""
    return path in _UNREADABLE and _UNREADABLE[path] == _stamp(path)


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


_LOGGED: set[Path] = set()
_VERIFIED_S: dict[Path, float] = {}
_UNREADABLE: dict[Path, tuple[int, int] | None] = {}
