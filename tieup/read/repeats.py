"""Find raw rows that copy an earlier row in every cell, whichever file they stand in."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.model.arrays import BoolArray, IntArray

_MULTIPLIER = np.uint64(0x9E3779B97F4A7C15)  # 2**64 / golden ratio, odd
_SHIFT = np.uint64(29)


def originals(columns: Iterable[NDArray[Any]], able: BoolArray) -> IntArray:
    """Return for each row the earliest row that is equal in every column, or itself.

    Parameters
    ----------
    columns
        Codes or values, each of shape (R,); NaN equals NaN.
    able (R,)
        Rows that can repeat or be repeated.

    Notes
    -----
    Rows are sorted by a hash over all columns, and rows of equal hash are compared column by
    column: cost grows with the number of rows, not with its square.
    """
    keys = [_bits(column[able]) for column in columns]
    rows = np.flatnonzero(able)
    original = np.arange(len(able))
    mixed = _mix(keys, len(rows))
    order = np.argsort(mixed, kind="stable")
    fresh = np.ones(len(rows), dtype=bool)
    fresh[1:] = mixed[order][1:] != mixed[order][:-1]
    head = order[np.flatnonzero(fresh)][np.cumsum(fresh) - 1]  # first row of each run of equals
    same = np.flatnonzero(head != order)
    later, earlier = order[same], head[same]
    equal = np.ones(len(same), dtype=bool)
    for key in keys:
        equal &= key[later] == key[earlier]
    original[rows[later[equal]]] = rows[earlier[equal]]
    return original


def _bits(column: NDArray[Any]) -> NDArray[np.uint64]:
    """View a column as integers, so that every NaN, and 0 and -0, compare equal."""
    if column.dtype == np.float64:
        column = np.where(np.isnan(column), np.nan, column + 0.0)
    return column.view(np.uint64)


def _mix(keys: list[NDArray[np.uint64]], rows: int) -> NDArray[np.uint64]:
    mixed = np.zeros(rows, dtype=np.uint64)
    for key in keys:
        mixed ^= key
        mixed *= _MULTIPLIER
        mixed ^= mixed >> _SHIFT
    return mixed
