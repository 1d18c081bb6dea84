"""Stacks of small matrices: shape (n, rows, columns), laid out for speed.

Element by element: all n values of one element lie side by side in memory, so that
arithmetic runs along the stack and not over three or four numbers at a time. Any layout
gives the same results; this one is several times faster.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.model.arrays import FloatArray, IntArray

CHUNK = 4096  # items; so many of a few matrices stay in the processor's cache


def new_stack(count: int, rows: int, columns: int) -> FloatArray:
    """Return ``count`` zero matrices (count, rows, columns)."""
    return np.zeros((rows, columns, count)).transpose(2, 0, 1)


def new_columns(count: int, columns: int) -> FloatArray:
    """Return zeros (count, columns) with each column in one piece."""
    return np.zeros((columns, count)).T


def chunks(count: int) -> Iterator[slice]:
    """Cut ``count`` items into pieces that stay in the processor's cache."""
    for start in range(0, count, CHUNK):
        yield slice(start, min(start + CHUNK, count))


def transposed(stack: FloatArray) -> FloatArray:
    """Return the transpose of every matrix."""
    return stack.transpose(0, 2, 1)


def product(left: FloatArray, right: FloatArray) -> FloatArray:
    """Return the matrix products (n, i, k) of (n, i, j) and (n, j, k)."""
    shape = left.shape[1], right.shape[2], len(left)
    result = np.empty(shape).transpose(2, 0, 1)
    for part in chunks(len(left)):
        np.einsum("nij,njk->nik", left[part], right[part], out=result[part])
    return result


def take(stack: FloatArray, index: IntArray) -> FloatArray:
    """Return the matrices at ``index`` (m,): (m, rows, columns)."""
    return np.take(stack.transpose(1, 2, 0), index, axis=2).transpose(2, 0, 1)


def put(stack: FloatArray, index: IntArray, values: FloatArray) -> None:
    """Write ``values`` (m, rows, columns) into the matrices at ``index`` (m,)."""
    for row in range(stack.shape[1]):
        for column in range(stack.shape[2]):
            stack[:, row, column][index] = values[:, row, column]


def sum_by(stack: FloatArray, index: IntArray, count: int) -> FloatArray:
    """Sum the matrices that share an ``index`` (n,): (count, rows, columns)."""
    _, rows, columns = stack.shape
    total = new_stack(count, rows, columns)
    for row in range(rows):
        for column in range(columns):
            total[:, row, column] = np.bincount(
                index, weights=stack[:, row, column], minlength=count
            )
    return total
