"""Where a line was left: sequence numbers, line metre and drum go on at the next start, as a real gateway's do."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

HEADROOM = 50  # numbers set aside at a time; a process that dies wastes no more than these


class Left(msgspec.Struct, frozen=True):
    """A line as it was left. `next_n` by stream path; `until_s` is the UTC time up to which it was simulated."""

    line_metre_m: float
    next_drum: int
    until_s: float
    next_n: dict[str, int]


def read(folder: Path | None, line: str) -> Left | None:
    """How the line was left, or None for a new one. Raises ValueError, saying what to do, for a damaged file."""
    path = _path(folder, line)
    if path is None or not path.is_file():
        return None
    try:
        return msgspec.json.decode(path.read_bytes(), type=Left)
    except msgspec.DecodeError as error:
        raise ValueError(f"{path} cannot be read ({error}); remove it to begin the line anew") from error


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


@dataclass(slots=True)
class Numbers:
    """Numbers in use, set aside on disk before they are used."""

    headroom: int
    used: dict[str, int] = field(default_factory=dict)
    aside: dict[str, int] = field(default_factory=dict)

    def use(self, path: str, n: int) -> bool:
        """Note that `n` is used; true where more must be set aside first."""
        self.used[path] = max(self.used.get(path, 0), n + 1)
        if n + 1 <= self.aside.get(path, 0):
            return False
        self.aside = {p: most + self.headroom for p, most in self.used.items()}
        return True


def first_numbers(left: Left | None) -> Mapping[str, int]:
    """Sequence numbers to begin with."""
    return left.next_n if left else {}
