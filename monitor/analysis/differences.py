"""Differences between two versions of one record: entries missing, too many, or changed, and in which column."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.contract.record import Floats

Key = tuple[object, ...]
Entries = Mapping[Key, Mapping[str, Any]]
SHOWN = 60  # characters of a value
LAST_DIGITS = 1e-6  # in the unit of a column: rounding by another order of arithmetic, as in a rebuilt line, is smaller


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """`where` names table and key, or file and metre; `column` is empty where one side has no such entry at all.

    `is_tiny`: numbers that differ by less than `LAST_DIGITS`.
    """

    where: str
    column: str
    stored: str
    made: str
    is_tiny: bool = False

    def __str__(self) -> str:
        column = f", {self.column}" if self.column else ""
        return f"{self.where}{column}: stored {self.stored}, made again {self.made}"


def of_entries(table: str, stored: Entries, made: Entries) -> list[Difference]:
    """Entries by key; columns are compared to the bit."""
    found = []
    for key in sorted(set(stored) | set(made), key=repr):
        where = f"table {table}, {' '.join(map(str, key))}"
        if key not in made:
            found.append(Difference(where=where, column="", stored="one", made="none"))
        elif key not in stored:
            found.append(Difference(where=where, column="", stored="none", made="one"))
        else:
            old, new = stored[key], made[key]
            found += [
                Difference(
                    where=where, column=n, stored=_short(old[n]), made=_short(new[n]), is_tiny=_is_tiny(old[n], new[n])
                )
                for n in old
                if old[n] != new[n]
            ]
    return found


def _is_tiny(stored: object, made: object) -> bool:
    return isinstance(stored, float) and isinstance(made, float) and abs(stored - made) < LAST_DIGITS


def of_rows(
    where: str, stored: Mapping[str, Floats], made: Mapping[str, Floats], ignored: Collection[str] = ()
) -> list[Difference]:
    """Columns of per-metre rows, `line_metre` among them: the first metre at which each differs, and how many do."""
    metres = np.union1d(stored["line_metre"], made["line_metre"])
    found = []
    for name in sorted((set(stored) | set(made)) - {"line_metre", *ignored}):
        old, new = (_placed(side, name, metres) for side in (stored, made))
        differ = np.flatnonzero(~((old == new) | (np.isnan(old) & np.isnan(new))))
        if len(differ):
            at = differ[0]
            most = np.abs(old[differ] - new[differ])
            is_tiny = bool((most < LAST_DIGITS).all())
            most_by = f", by {np.nanmax(most):.3g} at most" if not np.isnan(most).all() else ""
            more = f" (and {len(differ) - 1} more metres{most_by})" if len(differ) > 1 else ""
            place = f"{where}, metre {metres[at]:.0f}"
            found.append(
                Difference(
                    where=place, column=name, stored=f"{old[at]:.17g}", made=f"{new[at]:.17g}{more}", is_tiny=is_tiny
                )
            )
    return found


def _placed(side: Mapping[str, Floats], name: str, metres: Floats) -> Floats:
    values = np.full(len(metres), np.nan)
    if name in side:
        values[np.searchsorted(metres, side["line_metre"])] = side[name]
    return values


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= SHOWN else text[: SHOWN - 3] + "..."
