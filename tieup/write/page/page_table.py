"""Tables of the page: chosen rows of a results table, as texts, with what was left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.job import Job
from tieup.model.reconciliation import Table
from tieup.sentences import counted
from tieup.write.columns import COORDINATE
from tieup.write.digits import Numbers, number_rows
from tieup.write.page.wording import GOOD, verdict_of
from tieup.write.tables import decimals

TEXT, NAME, POINT, NUMBER, VERDICT, CODE = "text", "name", "point", "number", "verdict", "code"
LENGTH = "length"  # said of a column of a table: a number in the job's small unit of length
Heads: TypeAlias = Sequence[tuple[str, str, str]]  # heading, look, column of the table
PLACE: Heads = (
    ("Northing", NUMBER, "northing"),
    ("Easting", NUMBER, "easting"),
    ("Elevation", NUMBER, "elevation"),
)
SPREADS: Heads = (
    ("± N", LENGTH, "sd_northing"),
    ("± E", LENGTH, "sd_easting"),
    ("± elev.", LENGTH, "sd_elevation"),
)
STEPS: Heads = (("N", LENGTH, "d_northing"), ("E", LENGTH, "d_easting"))
JUDGED: Heads = (
    ("Plan", LENGTH, "d_horizontal"),
    ("± plan", LENGTH, "sd_horizontal"),
    ("Limit", LENGTH, "limit_horizontal"),
    ("Height", LENGTH, "d_elevation"),
    ("± height", LENGTH, "sd_elevation"),
    ("Limit", LENGTH, "limit_elevation"),
)


@dataclass(frozen=True)
class PageColumn:
    """A column of the page: its heading, how its cells look, and the cells.

    ``look`` is text, name (kept together), point (a name that the plan can show), number,
    verdict (a word of a table, shown with its shape) or code (set in fixed width).
    """

    title: str
    look: str
    cells: Sequence[str]


@dataclass(frozen=True)
class PageTable:
    """A table of the page; ``note`` says what it leaves out, empty where it is whole."""

    caption: str
    columns: tuple[PageColumn, ...]
    note: str = ""

    @property
    def rows(self) -> list[list[tuple[str, str]]]:
        """Return the cells by row, each with its look."""
        looks = [column.look for column in self.columns]
        rows = zip(*(column.cells for column in self.columns), strict=True)
        return [list(zip(looks, row, strict=True)) for row in rows]

    @property
    def brief(self) -> str:
        """Say how many rows there are, and of how many the verdict is not good."""
        rows = len(self.columns[0].cells)
        odd: Counter[str] = Counter()
        for column in self.columns:
            if column.look == VERDICT:
                verdicts = (verdict_of(word) for word in column.cells if word)
                odd.update(verdict.word for verdict in verdicts if verdict.shape != GOOD)
        shown = f"{rows:,} shown" if self.note else counted(rows, "row")
        return ", ".join([shown, *(f"{number:,} {word}" for word, number in odd.items())])


def columns_of(
    table: Table,
    heads: Heads,
    job: Job,
    rows: IntArray | slice = slice(None),
    kinds: Mapping[str, str] | None = None,
) -> list[PageColumn]:
    """Return the columns of ``heads`` that the table has, in the job's units.

    Numbers have the digits of the CSV file by ``kinds``, as in `tieup.write.columns`; without
    them four.
    """
    figures = Lengths(job.length_unit).figures
    found = []
    for title, look, name in heads:
        if look == LENGTH and name in table:
            shown = figures(numbers(table, name)[rows].tolist())
            found.append(PageColumn(title, NUMBER, shown))
        elif name in table:
            shown = (
                texts(table, name, rows)
                if kinds is None
                else cells(table, name, kinds, job.angle_unit, rows)
            )
            found.append(PageColumn(title, look, shown))
    return found


def cells(
    table: Table,
    name: str,
    kinds: Mapping[str, str],
    angle_unit: str,
    rows: IntArray | slice = slice(None),
) -> list[str]:
    """Return cells of one column with the digits of the CSV file; "" where undefined.

    ``kinds`` are the column kinds of the table, as in `tieup.write.columns`.
    """
    values = np.asarray(table[name])[rows]
    if values.dtype.kind == "f":
        places = decimals(kinds.get(name, COORDINATE), angle_unit)
        return number_rows([[Numbers(values, places)]]) if len(values) else []
    return [_text(value) for value in values.tolist()]


def numbers(table: Table, name: str) -> FloatArray:
    """Return a column as floats, NaN throughout where the table lacks it."""
    if name not in table:
        return np.full(length(table), np.nan)
    return np.asarray(table[name], dtype=np.float64)


def texts(table: Table, name: str, rows: IntArray | slice = slice(None)) -> list[str]:
    """Return a column, or ``rows`` of it, as texts; empty throughout where the table lacks it."""
    column = np.asarray(table[name] if name in table else [""] * length(table))
    return [value if type(value) is str else _text(value) for value in column[rows].tolist()]


def length(table: Table) -> int:
    """Return the number of rows."""
    return len(next(iter(table.values()), ()))


def row_starts(observations: Table) -> IntArray:
    """Return where each raw row begins in the observations, which stand in order of rows."""
    file, line = np.asarray(observations["file"]), np.asarray(observations["line"])
    if not len(file):
        return np.zeros(0, dtype=np.int64)
    new = np.asarray((file[1:] != file[:-1]) | (line[1:] != line[:-1]), dtype=bool)
    return np.flatnonzero(np.concatenate([[True], new]))


def left_out(shown: int, total: int, noun: str, file: str = "", first: str = "") -> str:
    """Say how many rows are not on the page and where they are; "" where all are."""
    if shown >= total:
        return ""
    order = f", {first} first" if first else ""
    place = f"; all of them are in {file}" if file else ""
    return f"{shown:,} of {total:,} {noun} are shown here{order}{place}."


def _text(value: Any) -> str:
    """Return a cell as it stands; a number that no kind of column settles with four digits."""
    if value is None or value != value:
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)
