"""Weighted control whose coordinates are correlated: the covariance of an earlier adjustment.

With Q the covariance of the coordinates that take part and c their values, they are observations of
the marks themselves, with the weights P = Q^-1 and the root R, R'R = P:

    whitened misclosure  R (c - x)        normal equations  N + P, right side P (c - x)

A coordinate that is not correlated with another has a weight of its own and stays out of this.

References: Ghilani, Adjustment Computations, control with a full covariance; Mikhail and Ackermann,
Observations and Least Squares, sequential adjustment: both steps give what one gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.errors import AdjustmentError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.control import Correlated


@dataclass(frozen=True)
class Prior:
    """Correlated coordinates taking part: ``point`` and ``component`` (k,), ``root`` R (k, k)."""

    point: IntArray
    component: IntArray
    root: FloatArray

    def __len__(self) -> int:
        return len(self.point)

    @property
    def weight(self) -> FloatArray:
        """Return P (k, k)."""
        return np.asarray(self.root.T @ self.root)

    @property
    def marks(self) -> IntArray:
        """Return the points, each once."""
        return np.unique(self.point)

    @property
    def pairs(self) -> IntArray:
        """Return all pairs (q, 2) of them."""
        one, two = np.triu_indices(len(self.marks), 1)
        return np.column_stack([self.marks[one], self.marks[two]])

    def whitened(self, weight: FloatArray, values: FloatArray) -> FloatArray:
        """Return ``values`` (P, 3) of control times the root of all weights.

        ``weight`` (P, 3) is 1/sd^2, 0 where control does not take part.
        """
        result = np.sqrt(weight) * values
        own = self.point, self.component
        result[own] = self.root @ values[own]
        return np.asarray(result)

    def on_marks(self, marks: IntArray) -> Prior:
        """Return the same in the numbers of a system's ``marks`` (m,), which hold all of them."""
        order = np.argsort(marks)
        own = order[np.searchsorted(marks, self.point, sorter=order)]
        return Prior(own, self.component, self.root)


def no_prior() -> Prior:
    """Return a prior of nothing."""
    none = np.zeros(0, dtype=np.int64)
    return Prior(none, none, np.zeros((0, 0)))


def make_prior(correlated: Correlated, sd: FloatArray, taking: BoolArray) -> Prior:
    """Return the prior of the correlated coordinates among those ``taking`` part (P, 3).

    ``sd`` (P, 3) in m are their sds, with what a standing target adds. What does not take part
    is left out of the covariance, as if nothing had been said of it.

    Raises
    ------
    AdjustmentError
        The covariance is not positive definite.
    """
    if not len(correlated.marks):
        return no_prior()
    point = np.repeat(correlated.marks, 3)
    component = np.tile(np.arange(3), len(correlated.marks))
    chosen = np.flatnonzero(taking[point, component])
    covariance = correlated.covariance[np.ix_(chosen, chosen)].copy()
    point, component = point[chosen], component[chosen]
    covariance[np.diag_indices(len(chosen))] = sd[point, component] ** 2
    tied = (np.count_nonzero(covariance, axis=1) > 1) if len(chosen) else chosen.astype(bool)
    point, component = point[tied], component[tied]
    try:
        lower = np.linalg.cholesky(covariance[np.ix_(tied, tied)])
    except np.linalg.LinAlgError:
        raise AdjustmentError(
            "control: the covariance of the known marks is not positive definite"
        ) from None
    return Prior(point, component, np.asarray(np.linalg.inv(lower)))
