"""Where a line was left: line metre and drum go on at the next start; its messages begin another numbering."""

from pathlib import Path

import msgspec


class Left(msgspec.Struct, frozen=True):
    """A line as it was left. `until_s` is the UTC time up to which it was simulated."""

    line_metre_m: float
    next_drum: int
    until_s: float


def read(folder: Path | None, line: str) -> Left | None:
    """How the line was left, or None for a new one. Raises ValueError, saying what to do, for a damaged file."""
    path = _path(folder, line)
    if path is None or not path.is_file():
        return None
    try:
        return msgspec.json.decode(path.read_bytes(), type=Left)
    except msgspec.DecodeError as error:
        raise ValueError(
            f"{path} cannot be read ({error}); remove it to restart the line from its beginning"
        ) from error


def write(folder: Path | None, line: str, left: Left) -> None:
    """Keep how the line was left; a file is replaced whole."""
    path = _path(folder, line)
    if path is None:
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_suffix(".aside")
    aside.write_bytes(msgspec.json.encode(left))
    aside.replace(path)


def _path(folder: Path | None, line: str) -> Path | None:
    return None if folder is None else folder / f"{line}.json"
