"""How a line was left is read as it was written; a damaged file says what to do."""

import pytest

from simulator.resume import Left, read, write


def test_it_is_read_as_it_was_written(tmp_path):
    left = Left(12_345.25, 7, 1_764_000_000.5)
    write(tmp_path / "state", "core-1", Left(1.0, 1, 1.0))
    write(tmp_path / "state", "core-1", left)
    assert read(tmp_path / "state", "core-1") == left
    assert [p.name for p in (tmp_path / "state").iterdir()] == ["core-1.json"]


def test_a_new_line_and_a_run_without_a_folder_have_none(tmp_path):
    assert read(tmp_path, "core-1") is None
    assert read(None, "core-1") is None
    write(None, "core-1", Left(1.0, 1, 1.0))


@pytest.mark.parametrize("text", ["", "{}", '{"line_metre_m": "far"}', "\x00"])
def test_a_damaged_file_is_named_with_what_to_do(tmp_path, text):
    (tmp_path / "core-1.json").write_text(text)
    with pytest.raises(ValueError, match=r"core-1\.json cannot be read .*remove it"):
        read(tmp_path, "core-1")
