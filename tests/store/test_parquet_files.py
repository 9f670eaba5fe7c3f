"""Parquet files are whole under their name, and every change of their bytes is found or harmless."""

import errno
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pytest

from monitor.store import parquet_files as files

SCHEMA = pa.schema([("n", pa.int64())])


def table(*numbers: int) -> pa.Table:
    return pa.table({"n": list(numbers)}, schema=SCHEMA)


@pytest.fixture
def written(tmp_path: Path) -> Path:
    path = tmp_path / "hours" / "one.parquet"
    files.write_whole(path, SCHEMA, [table(*range(500)), table(*range(500, 900))])
    return path


def test_it_is_read_as_it_was_written(written):
    assert files.read(written)["n"].to_pylist() == list(range(900))
    assert files.damage(written) == ""
    assert [p.name for p in written.parent.iterdir()] == ["one.parquet"]


def test_the_name_holds_no_half_file(tmp_path):
    def broken() -> Iterator[pa.Table]:
        yield table(1)
        raise OSError(errno.ENOSPC, "No space left on device")

    path = tmp_path / "one.parquet"
    with pytest.raises(OSError, match="No space left"):
        files.write_whole(path, SCHEMA, broken())
    assert not path.exists()
    files.write_whole(path, SCHEMA, [table(2)])
    with pytest.raises(OSError, match="No space left"):
        files.write_whole(path, SCHEMA, broken())
    assert files.read(path)["n"].to_pylist() == [2]


def test_it_is_announced_whole_before_it_has_its_name(tmp_path):
    path, seen = tmp_path / "one.parquet", []
    files.write_whole(path, SCHEMA, [table(3)], lambda aside: seen.append((path.exists(), files.sha256(aside))))
    assert seen == [(False, files.sha256(path))]


def test_a_changed_byte_of_the_values_is_refused_and_one_of_the_footer_found_by_the_digest(written):
    """A page has a checksum, the footer none: there a change may read as other values, and only the digest tells."""
    sound, digest = written.read_bytes(), files.sha256(written)
    footer = len(sound) - 8 - int.from_bytes(sound[-8:-4], "little")
    passed = 0
    for at in range(4, len(sound), 5):
        written.write_bytes(sound[:at] + bytes([sound[at] ^ 0x55]) + sound[at + 1 :])
        try:
            values = files.read(written)["n"].to_pylist()
        except (*files.DAMAGE, UnicodeDecodeError, KeyError):
            continue
        passed += 1
        if at < footer:
            assert values == list(range(900)), f"byte {at}"  # a length or a statistic that nothing reads
        files.verify(written, {digest}, 1000.0 * at)
        assert files.known_unreadable(written), f"byte {at}"
        written.unlink()  # so that the next one is another file
    assert passed < len(sound) / 5 / 2


def test_damage_is_logged_once_and_forgotten_when_the_file_is_repaired(written, caplog):
    sound = written.read_bytes()
    written.write_bytes(sound[:-20])
    assert files.read_or_log(written) is None
    assert files.read_or_log(written) is None
    assert [r.getMessage().count("cannot be read") for r in caplog.records] == [1]
    written.write_bytes(sound)
    assert len(files.read_or_log(written)) == 900


def test_an_error_of_the_system_proves_no_damage():
    assert files.may_pass(OSError(errno.EMFILE, "Too many open files"))
    assert not files.may_pass(FileNotFoundError(errno.ENOENT, "no such file"))
    assert not files.may_pass(pa.ArrowInvalid("not a Parquet file"))


def test_files_set_aside_keep_each_their_own_name(written):
    first = files.name_aside(written)
    files.set_aside(written, first, "cut")
    files.write_whole(written, SCHEMA, [table(1)])
    second = files.name_aside(written)
    assert first != second
    assert not written.with_name(second.name).exists()
    assert files.ASIDE in first.name
