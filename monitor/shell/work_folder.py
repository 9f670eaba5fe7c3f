"""A folder for what a command makes and throws away again, on the disk of the store rather than in memory.

Each folder is locked by the process that works in it. One without a lock was left by a process that was killed, and
is removed by the next that needs one.
"""

import errno
import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.contract.command import CannotRunError

NAME = "work"  # of the folder in a store's own that holds them
PREFIX = "everymetre-"
KEEP_FREE_BYTES = 1 << 30  # for the store and its monitors


@contextmanager
def work_folder(parent: Path, need_bytes: int) -> Iterator[Path]:
    """An empty folder in `parent` while the block runs; what killed processes left there is removed first.

    CannotRunError where it cannot be written or `need_bytes` would not leave `KEEP_FREE_BYTES` free.
    """
    try:
        parent.mkdir(parents=True, exist_ok=True)
        with _locked(parent):
            _remove_abandoned(parent)
            free_bytes = shutil.disk_usage(parent).free
            if free_bytes < need_bytes + KEEP_FREE_BYTES:
                raise _no_space(parent, need_bytes, free_bytes)
            folder = Path(tempfile.mkdtemp(prefix=PREFIX, dir=parent))
            at = os.open(folder, os.O_RDONLY)
            fcntl.flock(at, fcntl.LOCK_EX)
    except OSError as error:
        raise CannotRunError(
            f"The work folder {parent.absolute()} cannot be written ({error.strerror}): name another with --work-dir."
        ) from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(at)


def _no_space(parent: Path, need_bytes: int, free_bytes: int) -> OSError:
    need, free = need_bytes + KEEP_FREE_BYTES, free_bytes
    return OSError(errno.ENOSPC, f"it needs about {need / 1e9:.1f} GB of free space, and has {free / 1e9:.1f} GB")


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    at = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(at, fcntl.LOCK_EX)
        yield
    finally:
        os.close(at)


def _remove_abandoned(parent: Path) -> None:
    for folder in [path for path in parent.glob(f"{PREFIX}*") if path.is_dir() and not path.is_symlink()]:
        at = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(at, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder)
        except BlockingIOError:
            pass  # another process works in it
        finally:
            os.close(at)
