"""Turn a table into CSV text: fixed decimals by column, quickly, the same bytes each run.

A cell of text is data and leaves as it came in: a point named ``=1+1`` or ``-12`` stays
so, because a changed name no longer matches the mark on the ground or the raw row. A
cell is put in quotes only where a reader of CSV would misread it bare: around a comma, a
quote, a line break, or a leading ``#``, which this tool's own readers take for a comment.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any, TypeAlias

import numpy as np

from tieup.model.link_kinds import LINK_KINDS
from tieup.model.observations import BELIEVED, DISTANCE, KINDS, LEVEL_DISTANCE
from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.columns import (
    ANGLE,
    ANGLE_DECIMALS,
    COORDINATE,
    COORDINATES,
    DECIMALS,
    OBSERVATIONS,
    READING,
    SETUPS,
    TIES,
)
from tieup.write.digits import Numbers, number_rows

LENGTHS = (
    KINDS[DISTANCE],
    LEVEL_DISTANCE,
    *LINK_KINDS,
    *BELIEVED,
)  # kinds of observation that are lengths

Cells: TypeAlias = list[Any]
Field: TypeAlias = tuple[Numbers, ...]  # of which one is defined in each row


def coordinates_text(site: Reconciliation) -> str:
    """Return coordinates.csv."""
    return csv_text(site.coordinates, COORDINATES, site.job.angle_unit)


def observations_text(site: Reconciliation) -> str:
    """Return observations.csv."""
    return csv_text(site.observations, OBSERVATIONS, site.job.angle_unit)


def setups_text(site: Reconciliation) -> str:
    """Return setups.csv."""
    return csv_text(site.setups, SETUPS, site.job.angle_unit)


def ties_text(site: Reconciliation) -> str:
    """Return ties.csv."""
    return csv_text(site.ties, TIES, site.job.angle_unit)


def table_text(site: Reconciliation, *, table: str, columns: Mapping[str, str]) -> str:
    """Return a table of a site, named as in `Reconciliation`, as CSV."""
    return csv_text(getattr(site, table), columns, site.job.angle_unit)


def of_rows(observations: Table) -> Table:
    """Return the observations without what no row of its own books: plumb lines, control."""
    kind = np.asarray(observations["kind"]).astype(str)
    rows = np.flatnonzero(~np.isin(kind, BELIEVED))
    if len(rows) == len(kind):
        return observations
    return {name: np.asarray(column)[rows] for name, column in observations.items()}


def csv_text(table: Table, columns: Mapping[str, str], angle_unit: str) -> str:
    """Write a table as CSV with LF line ends.

    Parameters
    ----------
    table
        Columns in the job's own units; NaN becomes an empty cell.
    columns
        Name -> kind of the columns that must be there and come first, as in
        `tieup.write.columns`; other columns follow in their own order.
    angle_unit
        The job's angle unit; it settles the decimals of angles.

    Raises
    ------
    ValueError
        A column is missing, or the columns have different lengths.
    """
    names = ordered(table, columns)
    lengths = {name: len(table[name]) for name in names}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"columns of different lengths: {lengths}")
    parts = [_column(table, name, columns.get(name, COORDINATE), angle_unit) for name in names]
    rows = map(",".join, zip(*_texts(parts), strict=True))
    return "\n".join([",".join(_quoted(names)), *rows]) + "\n"


def ordered(table: Table, columns: Mapping[str, str]) -> list[str]:
    """Return the column names, ``columns`` first; raise ValueError where one is missing."""
    missing = [name for name in columns if name not in table]
    if missing:
        raise ValueError(f"table lacks the columns {', '.join(missing)}")
    return [*columns, *(name for name in table if name not in columns)]


def _column(table: Table, name: str, kind: str, angle_unit: str) -> Cells | Field:
    """Return the texts of a column, or the numbers that are still to be printed."""
    values = np.asarray(table[name])
    if values.dtype.kind in "iu":
        return (Numbers(values.astype(np.float64), 0),)
    if values.dtype.kind != "f":
        return _quoted(values.tolist())
    places = decimals(kind, angle_unit)
    field: Field = (Numbers(values, places),)
    if kind == READING:
        is_length = np.isin(np.asarray(table["kind"]).astype(str), LENGTHS)
        angles, lengths = np.where(is_length, np.nan, values), np.where(is_length, values, np.nan)
        field = (Numbers(angles, places), Numbers(lengths, DECIMALS[COORDINATE]))
    return field if all(part.printable for part in field) else _one_by_one(field)


def _texts(parts: Sequence[Cells | Field]) -> list[Cells]:
    """Print every column; neighbouring ones of numbers together, which is what makes it quick."""
    texts: list[Cells] = []
    for _, run in groupby(parts, key=type):
        neighbours = list(run)
        fields = [part for part in neighbours if isinstance(part, tuple)]
        cells = [part for part in neighbours if isinstance(part, list)]
        texts += [number_rows(fields)] if fields else cells
    return texts


def _one_by_one(field: Field) -> Cells:
    """Print numbers that are too large for the quick way."""
    texts = [
        [f"{value:.{part.places}f}" if np.isfinite(value) else "" for value in part.values.tolist()]
        for part in field
    ]
    return list(map("".join, zip(*texts, strict=True)))


def decimals(kind: str, angle_unit: str) -> int:
    """Return how many decimals a kind of column has; a reading as many as an angle."""
    if kind in (ANGLE, READING):
        return ANGLE_DECIMALS.get(angle_unit, ANGLE_DECIMALS["deg"])
    return DECIMALS[kind]


def _quoted(texts: Cells) -> Cells:
    """Put texts that CSV would misread in quotes."""
    try:
        joined = "\n".join(texts)
    except TypeError:  # a cell that is no text; to ask each of a million cells takes longer
        texts = [text if isinstance(text, str) else _plain(text) for text in texts]
        joined = "\n".join(texts)
    broken = joined.count("\n") != max(len(texts) - 1, 0)
    if not broken and not any(mark in joined for mark in ',"\r#'):
        return texts
    quoted = {text: _cell(text) for text in dict.fromkeys(texts)}
    return [quoted[text] for text in texts]


def _plain(value: Any) -> str:
    """Return a cell of a text column that is not text: undefined, or a number."""
    return "" if value is None or value != value else str(value)


def _cell(text: str) -> str:
    if text.startswith("#") or any(mark in text for mark in ',"\n\r'):
        return '"' + text.replace('"', '""') + '"'
    return text
