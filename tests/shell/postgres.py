"""A real PostgreSQL server for tests, in a folder of its own on a free port; ended when the tests end."""

import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import psycopg

from tests.ports import free_port


def program(name: str) -> str:
    """Path of one of the server's programs: on the path, or where Debian keeps them."""
    found = shutil.which(name)
    kept = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    if not found and not kept:
        raise FileNotFoundError(f"no {name} on this machine: install Debian's postgresql (as .ci/run does)")
    return found or str(kept[-1])


def _as_user(*words: str) -> list[str]:
    """The server refuses to be root's."""
    return ["runuser", "-u", "postgres", "--", *words] if os.geteuid() == 0 else list(words)


@contextmanager
def running() -> Iterator[str]:
    """Address of a running server: `postgresql://postgres@127.0.0.1:PORT`."""
    folder = Path(tempfile.mkdtemp(prefix="everymetre-postgres-"))
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    data, port = folder / "data", free_port()
    make = _as_user(program("initdb"), "-D", str(data), "-U", "postgres", "--auth=trust", "--no-sync")
    subprocess.run(make, check=True, stdout=subprocess.DEVNULL, cwd=folder)
    # What is committed outlives every process here, and nothing here is to outlive the machine: no flush to disk.
    quick = "-c fsync=off -c full_page_writes=off -c autovacuum=off"
    options = f"{quick} -c port={port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder}"
    control = _as_user(program("pg_ctl"), "-D", str(data), "-w")
    subprocess.run([*control, "-l", str(folder / "log"), "-o", options, "start"], check=True, stdout=subprocess.DEVNULL)
    try:
        yield f"postgresql://postgres@127.0.0.1:{port}"
    finally:
        subprocess.run([*control, "-m", "immediate", "stop"], check=False, stdout=subprocess.DEVNULL)
        shutil.rmtree(folder, ignore_errors=True)


@cache
def database_for(server: str, what: str) -> str:
    """Address of the database that belongs to a name, made if it is not there yet."""
    name = "t" + hashlib.sha256(what.encode()).hexdigest()[:20]
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        if not connection.execute("select 1 from pg_database where datname = %s", (name,)).fetchone():
            connection.execute(f'create database "{name}"'.encode())
    return f"{server}/{name}"
