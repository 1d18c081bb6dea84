"""Tests of one job as one family, so that clean work is not called bad by their number alone.

A day's job has a hundred tie differences. Tested one by one at 1 %, one of them would be
called an error on every clean job. The levels of this room are chances per clean job: marks
0.5 %, pairs of setups and joints 0.1 % each, together well below the 1 job in 100 that may be
stopped for nothing.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.distributions import chi_square_tail
from tieup.model.arrays import BoolArray, FloatArray, IntArray

JOB_LEVEL = 0.005  # chance that a clean job has any tie called an error


def holm(chance: FloatArray, level: float = JOB_LEVEL) -> BoolArray:
    """Say which of several tests are beyond chance, all of them together at ``level``.

    Parameters
    ----------
    chance
        Shape (n,): p-value of each test, NaN where there was nothing to test.

    References
    ----------
    Holm (1979), A simple sequentially rejective multiple test procedure: the k-th smallest
    of n p-values is held against level / (n - k + 1), until one is not smaller.

    >>> holm(np.array([0.004, 0.03, np.nan, 0.0001]), 0.01).tolist()
    [True, False, False, True]
    """
    beyond = np.zeros(chance.shape, dtype=bool)
    tested = np.flatnonzero(np.isfinite(chance))
    order = tested[np.argsort(chance[tested], kind="stable")]
    allowed = level / np.arange(len(order), 0, -1)
    fails = chance[order] > allowed
    stop = int(np.argmax(fails)) if fails.any() else len(order)
    beyond[order[:stop]] = True
    return beyond


def chance_of(statistic: FloatArray, freedom: IntArray) -> FloatArray:
    """Return the chance (n,) of a chi-square statistic this large; NaN without freedom."""
    tested = (freedom > 0) & np.isfinite(statistic)
    tail = chi_square_tail(np.where(tested, statistic, 0.0), np.where(tested, freedom, 1))
    return np.where(tested, tail, np.nan)
