"""Small CSV tables written by people: rows by column name, with `#` before a comment."""

import csv
from collections.abc import Sequence
from pathlib import Path


def read_table(path: Path, needed: Sequence[str]) -> list[dict[str, str]]:
    """The rows of a file by column name, all as text, "" where a row is short. ValueError for a missing column."""
    lines = (line.partition("#")[0] for line in path.read_text(encoding="utf-8-sig").splitlines())
    table = csv.DictReader((line for line in lines if line.strip()), restval="", skipinitialspace=True)
    columns = list(table.fieldnames or ())
    missing = [name for name in needed if name not in columns]
    if missing:
        raise ValueError(f"{path}: no column {', '.join(missing)}; it has {', '.join(columns) or 'none'}")
    return [{k: v.strip() for k, v in row.items() if isinstance(k, str)} for row in table]


def number(text: str) -> float:
    """A number, or NaN for a text that is not a number."""
    try:
        return float(text)
    except ValueError:
        return float("nan")
