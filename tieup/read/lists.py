"""Read the small lists beside the raw data: one bad cell there stops the run.

A control mark or a levelled height is held or weighted as known, so a cell that cannot be
read is never left out in silence. All problems of a list are raised at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tieup.errors import InputError, did_you_mean
from tieup.model.arrays import BoolArray, FloatArray
from tieup.read.cells import decimal_points
from tieup.read.form import TableFormat
from tieup.read.header import check_header, mapped_places, require_columns
from tieup.read.list_columns import ListHead
from tieup.read.raw_columns import Source
from tieup.read.text_table import Table, read_table
from tieup.units import parse_numbers

SLIP = 0.8  # alike from here, a heading is a misspelt one rather than a column of its own
NATIVE = TableFormat(around=None)  # no key of job.yaml says how such a list is written


@dataclass(frozen=True)
class ListForm:
    """How a list is written where it is not the native table.

    ``sources`` says where each column comes from, empty for columns by their own names;
    ``key`` is the key of job.yaml that maps them.
    """

    form: TableFormat = NATIVE
    sources: Mapping[str, Source] = field(default_factory=dict)
    key: str = ""


@dataclass(frozen=True)
class ListColumns:
    """The columns of a list by lower-case name, and what was found wrong so far."""

    table: Table
    columns: dict[str, list[str]]
    problems: list[str]
    form: TableFormat = NATIVE

    def texts(self, name: str) -> list[str]:
        """Return a column of texts; a missing one is empty."""
        return self.columns.get(name, [""] * len(self.table))

    def numbers(self, name: str) -> FloatArray:
        """Return a column of numbers, NaN where empty, noting what cannot be read."""
        texts = self.texts(name)
        pointed, wrong_sign = decimal_points(texts, self.form.decimal)
        values, bad = parse_numbers(pointed)
        for row, why in sorted({**bad, **wrong_sign}.items()):
            cure = self._comma(texts[row]) if row in bad else ""
            self.note(row, f'{name} "{texts[row]}" {why}{cure}')
        return values

    def _comma(self, text: str) -> str:
        """Propose a decimal comma for a cell that is a number with one, where that can be said."""
        entry = self.form.entry(decimal=",")
        told = entry and not parse_numbers([text.replace(",", ".")])[1]
        return f". Set {entry}" if told else ""

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
    head: ListHead,
    *,
    rowless: bool = False,
    listed: ListForm | None = None,
) -> ListColumns:
    """Read a list and check its header.

    Parameters
    ----------
    rowless
        Whether the list may be empty or have a header only.
    listed
        How it is written; None for the native table.

    Raises
    ------
    InputError
        The file is no such table, a required column is missing, or a column that is not
        known looks like a slip for an optional one.
    """
    listed = listed or ListForm()
    table = read_table(path, name, listed.form, rowless=rowless)
    problems = [f"{table.where(row)}: the row {why}" for row, why in table.misshapen.items()]
    if listed.sources:
        return ListColumns(table, _mapped(table, listed), problems, listed.form)
    if not table.header:
        return ListColumns(table, {}, [], listed.form)
    check_header(table)
    known = (*head.needed, *head.possible)
    require_columns(table, head.needed, listed.form, known)
    names = [heading.lower() for heading in table.header]
    strange = [heading for heading in names if heading not in known]
    slips = list(_slips(table, strange, [key for key in head.possible if key not in names]))
    if slips:
        raise InputError(*slips)
    columns = dict(zip(names, table.columns, strict=True))
    return ListColumns(table, columns, problems, listed.form)


def _mapped(table: Table, listed: ListForm) -> dict[str, list[str]]:
    """Return the columns of a list that job.yaml maps."""
    if not len(table):
        return {}
    check_header(table)
    sources = listed.sources
    places = mapped_places(table, sources, listed.form, tuple(sources), listed.key)
    return {
        name: table.columns[places[name]] if name in places else [source.value or ""] * len(table)
        for name, source in sources.items()
    }


def _slips(table: Table, strange: list[str], absent: list[str]) -> Iterator[str]:
    """Find strange headings close to a column that is absent: its cells would be left out."""
    for heading in strange:
        if hint := did_you_mean(heading, absent, SLIP):
            yield f"{table.name}:{table.header_line}: column {heading} is not known here. {hint}"
