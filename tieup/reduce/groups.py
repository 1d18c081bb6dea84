"""Sums and means over groups of rows, on plain arrays."""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray, IntArray


def group_sum(value: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """Sum ``value`` (m,) by ``group`` (m,) into shape (groups,)."""
    return np.bincount(group, weights=value, minlength=groups).astype(np.float64)


def group_mean(value: FloatArray, group: IntArray) -> FloatArray:
    """Return for each element (m,) the mean of its group."""
    _, inverse, count = np.unique(group, return_inverse=True, return_counts=True)
    return (np.bincount(inverse, weights=value) / count)[inverse]


def group_extreme(value: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """Return the largest ``value`` (m,) of each group (groups,), NaN where there is none."""
    known = np.isfinite(value)
    largest = np.full(groups, -np.inf)
    np.maximum.at(largest, group[known], value[known])
    return np.where(np.isfinite(largest), largest, np.nan)


def group_median(value: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """Return the median of the finite values (m,) of each group (groups,), NaN without any."""
    known = np.isfinite(value)
    order = np.lexsort((value[known], group[known]))
    ordered, count = value[known][order], np.bincount(group[known], minlength=groups)
    first = np.cumsum(count) - count
    median = np.full(groups, np.nan)
    some = count > 0
    low, high = first + (count - 1) // 2, first + count // 2
    median[some] = 0.5 * (ordered[low[some]] + ordered[high[some]])
    return median
