"""How well heights are known together: the joint covariance of point heights, and what it gives.

The covariance is C = diag(own^2) + F F': what each point has of its own, and what points have in
common (the height of a setup, the control it hangs on). A linear function w of the heights has
the variance w' C w (law of propagation of variances, e.g. Ghilani, Adjustment Computations, ch. 6).
Plan errors are left out: on a slope of 2 % one of 3 mm moves a height by 0.06 mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array

from tieup.model.arrays import BoolArray, FloatArray, IntArray

EMPTY = 1e-12  # of the largest eigenvalue; less is rounding


@dataclass(frozen=True)
class HeightSpread:
    """Sds of point heights: ``own`` (n,) m, and ``common`` (n, k) m, factors of the rest."""

    own: FloatArray
    common: FloatArray

    def sd(self, rows: csr_array) -> FloatArray:
        """Return the sds (m,) of linear functions of the heights, ``rows`` (m, n)."""
        alone = rows.power(2) @ self.own**2
        return np.asarray(np.sqrt(alone + ((rows @ self.common) ** 2).sum(axis=1)))

    def covariance(self, rows: csr_array) -> FloatArray:
        """Return the joint covariance (m, m) in m^2 of a few linear functions of the heights."""
        factor = rows @ self.common
        alone = (rows * self.own**2) @ rows.T
        return np.asarray(alone.toarray() + factor @ factor.T)

    def draws(self, count: int, generator: np.random.Generator) -> FloatArray:
        """Return ``count`` draws (count, n) of the errors of the heights in m."""
        alone = generator.normal(size=(count, len(self.own))) * self.own
        shared = generator.normal(size=(count, self.common.shape[1])) @ self.common.T
        return np.asarray(alone + shared)


@dataclass(frozen=True)
class VertexSpread:
    """The spread of the heights of vertices, which ``weights`` (v, n) makes of those of points."""

    points: HeightSpread
    weights: csr_array

    def sd(self, vertices: IntArray, values: FloatArray) -> FloatArray:
        """Return the sds (m,) of sums of ``values`` (m, k) times the heights of ``vertices``."""
        variance = (values**2 * self._own[vertices]).sum(axis=1)
        for common in self._common:
            variance += (values * common[vertices]).sum(axis=1) ** 2
        mixed = np.flatnonzero(self._mixed[vertices].any(axis=1)) if self._mixed.any() else ()
        sd = np.sqrt(variance)
        if len(mixed):
            sd[mixed] = self.points.sd(self.rows(vertices[mixed], values[mixed]))
        return np.asarray(sd)

    def sd_between(self, first: IntArray, second: IntArray) -> FloatArray:
        """Return the sds (m,) of the differences in height of pairs of vertices."""
        variance = self._own[first] + self._own[second]
        for common in self._common:
            variance += (common[first] - common[second]) ** 2
        sd = np.sqrt(variance)
        mixed = np.flatnonzero(self._mixed[first] | self._mixed[second])
        if len(mixed):
            pairs = np.column_stack([first[mixed], second[mixed]])
            sd[mixed] = self.points.sd(self.rows(pairs, np.tile([1.0, -1.0], (len(mixed), 1))))
        return np.asarray(sd)

    def rows(self, vertices: IntArray, values: FloatArray) -> csr_array:
        """Return the same sums as linear functions (m, n) of the heights of points."""
        rows = np.repeat(np.arange(len(vertices)), vertices.shape[1])
        shape = (len(vertices), self.weights.shape[0])
        by_vertex = csr_array((values.reshape(-1), (rows, vertices.reshape(-1))), shape=shape)
        return by_vertex @ self.weights

    @cached_property
    def _common(self) -> FloatArray:
        """Return the factors (k, v) of vertices, each in one piece: fast to pick from."""
        return np.ascontiguousarray((self.weights @ self.points.common).T)

    @cached_property
    def _own(self) -> FloatArray:
        return np.asarray(self.weights.power(2) @ self.points.own**2)

    @cached_property
    def _mixed(self) -> BoolArray:
        """Return which vertices (v,) are made of several points: they may share some."""
        return np.asarray(np.diff(self.weights.indptr) > 1)


def factor_of(covariance: FloatArray) -> FloatArray:
    """Return F (n, k) with F F' = a covariance (n, n), of as few columns as it has freedoms.

    Held heights and such that hang together without freedom have eigenvalues of 0.
    """
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    some = values > EMPTY * values.max(initial=0.0)
    return np.asarray(vectors[:, some] * np.sqrt(values[some]))
