"""Number the distinct texts or values of a column in the order in which they appear."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

import numpy as np

from tieup.model.arrays import FloatArray, IntArray

_LARGE = 2**31  # the product of two spans below it cannot overflow


def text_codes(texts: Iterable[str]) -> tuple[IntArray, tuple[str, ...]]:
    """Return a code for each text, and the distinct texts in the order of their codes."""
    number: defaultdict[str, int] = defaultdict()
    number.default_factory = number.__len__  # a text met for the first time takes the next one
    codes = np.fromiter(map(number.__getitem__, texts), dtype=np.int64)
    return codes, tuple(number)


def value_codes(values: FloatArray) -> IntArray:
    """Return a code from 0 for each distinct value, -1 for NaN."""
    codes = np.full(len(values), -1, dtype=np.int64)
    known = ~np.isnan(values)
    codes[known] = np.unique(values[known], return_inverse=True)[1]
    return codes


def pair_codes(first: IntArray, second: IntArray) -> IntArray:
    """Return a code, not below 0, that is equal for equal pairs of codes (-1 and up)."""
    span = int(second.max(initial=-1)) + 2
    codes = (first + 1) * span + second + 1
    if codes.max(initial=0) < _LARGE:
        return codes
    dense: IntArray = np.unique(codes, return_inverse=True)[1]
    return dense


def by_appearance(codes: IntArray) -> tuple[IntArray, IntArray]:
    """Renumber codes in the order of their first appearance.

    Returns
    -------
    The new codes (m,), and for each code the index of its first appearance.
    """
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return rank[inverse], first[order]
