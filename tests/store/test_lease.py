"""One monitor for each line: a second one refuses at once, and may start as soon as the first is gone."""

import os
import re
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from monitor.contract.command import CannotRunError
from monitor.store.lease import LeaseHeldError, LeaseLostError, hold
from monitor.store.reader import StoreReader
from monitor.store.server import server_url
from monitor.store.writer import Batch, Writer
from tests.core.script import T0, finding
from tests.shell.brokers import Process, ended, everymetre
from tests.shell.works import PATIENCE, SERVER, configs_at, settings_at, until

WRITING = "no broker"  # what a monitor logs that has its lines and finds nobody to listen to


def in_words(place: Path) -> tuple[Path, Path]:
    """The demo's configuration over a store of either kind: (configuration, store)."""
    configs, _, _ = configs_at(place)
    store = place / "run" / "store"
    if address := settings_at(place).database_url:
        works = configs / "works.toml"
        works.write_text(works.read_text().replace("[store]", f'[store]\ndatabase_url = "{address}"'))
    return configs, store


def monitor(configs: Path, place: Path, name: str, lines: str = "core-1") -> Process:
    """A monitor as a process; no broker is there, which it bears."""
    one = Process(everymetre("monitor", "--configs", str(configs), "--lines", lines), place / f"{name}.log")
    one.ready = lambda: WRITING in one.output
    return one


@pytest.mark.parametrize("lines", [["core-1"], ["core-2", "core-1"]])
def test_a_line_is_held_once_and_free_afterwards(place, lines):
    """A6."""
    store = settings_at(place)
    with hold(store, ["core-1", "core-2"], T0):
        with pytest.raises(LeaseHeldError, match=rf"^Line core-1 .* process {os.getpid()} on \S+, since 20\d\d-"):
            hold(store, lines, T0).__enter__()
        with hold(store, ["lay-1"], T0):
            pass
    with hold(store, lines, T0) as lease:
        lease.check()


def test_of_lines_that_cannot_all_be_held_none_is(place):
    store = settings_at(place)
    with hold(store, ["core-2"], T0):
        with pytest.raises(LeaseHeldError, match=r"^Line core-2"):
            hold(store, ["core-1", "core-2"], T0).__enter__()
        with hold(store, ["core-1"], T0) as lease:
            lease.check()


def test_a_lock_whose_file_was_removed_is_lost(tmp_path):
    with hold(settings_at(tmp_path), ["core-1"], T0) as lease:
        (tmp_path / "leases" / "core-1.lock").unlink()
        with pytest.raises(LeaseLostError, match=r"core-1\.lock"):
            lease.check()


def test_a_second_monitor_names_the_first_and_starts_when_that_was_killed(place):
    """A6: one looped on UNIQUE constraint failed for ever, even when the other was gone."""
    configs, _ = in_words(place)
    first, second = monitor(configs, place, "first"), monitor(configs, place, "second")
    with ExitStack() as stack:
        stack.callback(first.close)
        stack.callback(second.close)
        first.start()
        words = everymetre("monitor", "--configs", str(configs), "--lines", "core-2,core-1")
        refused = ended(words, within_s=60)
        assert refused.returncode == 2
        assert re.match(rf"Line core-1 is already written by process {first.process.pid} on", refused.stderr)
        assert refused.stderr.count("\n") == 1
        first.kill()
        second.start()
        assert second.alive


def test_a_monitor_that_lost_its_lease_ends_and_may_be_started_again(tmp_path, server):
    """A6: the server ended the connection; until it is started again the monitor writes nothing."""
    (tmp_path / "database-server").write_text(server)
    configs, _ = in_words(tmp_path)
    one = monitor(configs, tmp_path, "one")
    with ExitStack() as stack:
        stack.callback(one.close)
        one.start()
        engine = create_engine(server_url(settings_at(tmp_path).database_url))
        ended = "select pg_terminate_backend(pid) from pg_stat_activity where application_name like 'everymetre %'"
        ended += " and datname = current_database()"
        with engine.connect() as connection:
            assert connection.execute(text(ended)).scalars().all() == [True]
        engine.dispose()
        until(lambda: not one.alive, 20, "the end of a monitor without a lease")
        assert one.process.returncode == 1
        assert "the connection that holds the lease of the lines is lost" in one.output
        assert "Traceback" not in one.output
        one.log.unlink()
        one.start()


NOBODY = 65534


@contextmanager
def without_rights(folder: Path) -> Iterator[None]:
    """The folder is read-only, and the process is not the super-user, for whom it would not be."""
    is_root, mode = os.geteuid() == 0, folder.stat().st_mode
    folder.chmod(0o555)
    if is_root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if is_root:
            os.seteuid(0)
        folder.chmod(mode)


def test_a_folder_that_cannot_be_written_is_named_before_anything_begins(place):
    """A9: not by a traceback."""
    settings = settings_at(place)
    with (
        without_rights(place),
        pytest.raises(CannotRunError, match=r"cannot be written \(Permission denied.*right to write"),
        hold(settings, ["core-1"], 0.0),
    ):
        pytest.fail("the lines were held")


def end_lease(place: Path) -> None:
    """The server ends the connections that hold a lease."""
    engine = create_engine(server_url(str(settings_at(place).database_url)))
    ended = "select pg_terminate_backend(pid, 10000) from pg_stat_activity where application_name like 'everymetre %'"
    with engine.connect() as connection:
        assert connection.execute(text(f"{ended} and datname = current_database()")).scalars().all() == [True]
    engine.dispose()


def test_a_writer_that_lost_its_lease_commits_nothing_beside_the_next(server, tmp_path):
    """A6: for up to two seconds, until it looked at its lease again, it wrote beside the new holder."""
    (tmp_path / SERVER).write_text(server)
    store = settings_at(tmp_path)
    with hold(store, ["core-1"], T0) as lost:
        old = Writer(store, ["core-1"], lost)
        old.write(Batch(outputs=[finding(1.0, 2.0)]))
        end_lease(tmp_path)
        with hold(store, ["core-1"], T0) as held:
            new = Writer(store, ["core-1"], held)
            with pytest.raises(LeaseLostError):
                old.write(Batch(outputs=[finding(5.0, 6.0)]))
            new.write(Batch(outputs=[finding(8.0, 9.0)]))
    assert [f.start_m for f in StoreReader(store).findings("core-1", 0.0, 10.0)] == [1.0, 8.0]
    old.close()
    new.close()


def test_a_new_holder_waits_for_the_last_transaction_of_the_one_before(server, tmp_path):
    (tmp_path / SERVER).write_text(server)
    store, taken = settings_at(tmp_path), threading.Event()

    def take_over() -> None:
        with hold(store, ["core-1"], T0):
            taken.set()

    with hold(store, ["core-1"], T0) as lost, create_engine(server_url(str(store.database_url))).begin() as connection:
        lost.fence(connection)
        end_lease(tmp_path)
        later = threading.Thread(target=take_over)
        later.start()
        assert not taken.wait(0.5)
        connection.rollback()
        assert taken.wait(20 * PATIENCE)
        later.join()
