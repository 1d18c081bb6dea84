"""Read the small lists beside the raw data: one bad cell there stops the run.

A control mark or a levelled height is held or weighted as known, so a cell that cannot be
read is never left out in silence. All problems of a list are raised at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import BoolArray, FloatArray
from tieup.read.locate import check_header, require_columns
from tieup.read.tables import Table, TableFormat, read_table
from tieup.units import parse_numbers


@dataclass(frozen=True)
class ListColumns:
    """The columns of a list by lower-case name, and what was found wrong so far."""

    table: Table
    columns: dict[str, list[str]]
    problems: list[str]

    def texts(self, name: str) -> list[str]:
        """Return a column of texts; a missing one is empty."""
        return self.columns.get(name, [""] * len(self.table))

    def numbers(self, name: str) -> FloatArray:
        """Return a column of numbers, NaN where empty, noting what cannot be read."""
        texts = self.texts(name)
        values, bad = parse_numbers(texts)
        for row, why in bad.items():
            self.note(row, f'{name} "{texts[row]}" {why}')
        return values

    def refuse(self, name: str, wrong: BoolArray, why: str) -> None:
        """Note every row of a column where ``wrong`` is true."""
        for row in np.flatnonzero(wrong):
            self.note(int(row), f'{name} "{self.texts(name)[row]}" {why}')

    def note(self, row: int, problem: str) -> None:
        """Note a problem of a row with its place."""
        self.problems.append(f"{self.table.where(row)}: {problem}")

    def raise_problems(self) -> None:
        """Raise everything that was noted."""
        if self.problems:
            raise InputError(*self.problems)


def read_list(
    path: Path,
    name: str,
    required: tuple[str, ...],
    optional: tuple[str, ...],
    *,
    rowless: bool = False,
) -> ListColumns:
    """Read a list and check its header; ``rowless`` lists may be empty or have a header only.

    Raises
    ------
    InputError
        The file is no such table, a required column is missing, or a column that is not
        known looks like a slip for an optional one.
    """
    table = read_table(path, name, TableFormat(), rowless=rowless)
    if not table.header:
        return ListColumns(table, {}, [])
    check_header(table)
    require_columns(table, required)
    names = [heading.lower() for heading in table.header]
    strange = [heading for heading in names if heading not in (*required, *optional)]
    slips = list(_slips(table, strange, [key for key in optional if key not in names]))
    if slips:
        raise InputError(*slips)
    problems = [f"{table.where(row)}: the row {why}" for row, why in table.misshapen.items()]
    return ListColumns(table, dict(zip(names, table.columns, strict=True)), problems)


def _slips(table: Table, strange: list[str], absent: list[str]) -> Iterator[str]:
    """Find strange headings close to a column that is absent: its cells would be left out."""
    from difflib import get_close_matches

    for heading in strange:
        if near := get_close_matches(heading, absent, 1, 0.8):
            yield (
                f"{table.name}:{table.header_line}: column {heading} is not known here. "
                f"Did you mean {near[0]}?"
            )
