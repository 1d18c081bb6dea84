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
