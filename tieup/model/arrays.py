"""Names for the array types of the whole package, and what numpy does slowly."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[Any]  # dtype object, every element a str


def no_flags() -> BoolArray:
    """Return an empty column of flags: what a table has until `fill_flags`."""
    return np.zeros(0, dtype=np.bool_)


def fill_flags(table: object, rows: int, *names: str) -> None:
    """Give the columns of flags that a frozen table left empty a False for each of its rows."""
    for name in names:
        if len(getattr(table, name)) != rows:
            object.__setattr__(table, name, np.zeros(rows, dtype=np.bool_))


def no_numbers() -> IntArray:
    """Return an empty column of numbers: what a table has until `fill_numbers`."""
    return np.zeros(0, dtype=np.int64)


def fill_numbers(table: object, rows: int, name: str) -> None:
    """Give the column of numbers that a frozen table left empty a -1 for each of its rows."""
    if len(getattr(table, name)) != rows:
        object.__setattr__(table, name, np.full(rows, -1, dtype=np.int64))


def text_array(values: Iterable[str]) -> TextArray:
    """Return texts (n,) as a column of a table, whatever their lengths."""
    return np.array(list(values), dtype=object)


def distinct_pairs(first: IntArray, second: IntArray) -> tuple[IntArray, IntArray]:
    """Return the different pairs (q, 2) in order, and the number (n,) of each given one.

    ``first``, ``second`` (n,) are numbers from 0 on. As one number each: numpy sorts rows of two
    an order of magnitude slower.

    >>> pairs, number = distinct_pairs(np.array([3, 0, 3]), np.array([1, 2, 1]))
    >>> pairs.tolist(), number.tolist()
    ([[0, 2], [3, 1]], [1, 0, 1])
    """
    size = int(second.max(initial=0)) + 1
    keys, number = np.unique(first * size + second, return_inverse=True)
    return np.column_stack(np.divmod(keys, size)), number.reshape(-1)
