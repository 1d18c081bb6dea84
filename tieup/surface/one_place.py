"""Points that are one place in plan: one vertex, and its height out of theirs.

The height is the mean of theirs with the least variance and no share below 0, by their joint
covariance C: least w' C w with sum w = 1 (best linear unbiased, e.g. Koch, Parameter Estimation and
Hypothesis Testing in Linear Models, ch. 3). Points that were taken alike have the plain mean.
Where two differ beyond chance nobody knows which is the ground: see `disputed`.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array

from tieup.model.arrays import FloatArray, IntArray
from tieup.surface.spread import HeightSpread

SAME = 0.001  # m; points closer than this in plan are one place; our choice
BELOW = -1e-9  # share; more is rounding


def merged(place: FloatArray) -> IntArray:
    """Return the vertex (n,) of each place (n, 3), -1 for one with a NaN.

    Vertices are numbered in the order of their first points.
    """
    solid = np.flatnonzero(np.isfinite(place).all(axis=1))
    north, east = np.round(place[solid, :2] / SAME).T.copy()
    order = np.lexsort([north, east])
    other = (np.diff(north[order]) != 0) | (np.diff(east[order]) != 0)
    new = np.append(True, other)[: len(order)]
    first = order[new]  # of each place the first of its points: the sort is stable
    number = np.empty(len(first), dtype=np.int64)
    number[np.argsort(first)] = np.arange(len(first))
    vertex = np.full(len(place), -1)
    vertex[solid[order]] = number[np.cumsum(new) - 1]
    return vertex


def height_weights(vertex: IntArray, spread: HeightSpread) -> csr_array:
    """Return the heights of vertices (v, n) as linear functions of those of their points."""
    solid = np.flatnonzero(vertex >= 0)
    count = np.bincount(vertex[solid])
    share = np.ones(len(vertex))
    order = solid[np.argsort(vertex[solid], kind="stable")]
    start = np.cumsum(count) - count
    for size in np.unique(count[count > 1]).tolist():
        groups = order[start[count == size][:, None] + np.arange(size)]
        share[groups] = _shares(_covariances(groups, spread))
    found = (share[solid], (vertex[solid], solid))
    return csr_array(found, shape=(len(count), len(vertex)))


def _covariances(groups: IntArray, spread: HeightSpread) -> FloatArray:
    """Return the joint covariances (m, k, k) of groups of points (m, k), in m^2."""
    common = spread.common[groups]
    alone = spread.own[groups][:, :, None] ** 2 * np.eye(groups.shape[1])
    return np.asarray(alone + common @ common.transpose(0, 2, 1))


def _shares(covariance: FloatArray) -> FloatArray:
    """Return the shares (m, k) of the mean of least variance, for each covariance (m, k, k)."""
    count, size = covariance.shape[:2]
    scale = np.trace(covariance, axis1=1, axis2=2)[:, None, None]
    system = np.ones((count, size + 1, size + 1))
    system[:, :size, :size] = covariance / np.where(scale > 0.0, scale, 1.0)
    system[:, size, size] = 0.0
    share = np.linalg.pinv(system, hermitian=True)[:, :size, size]
    for row in np.flatnonzero((share < BELOW).any(axis=1)).tolist():
        rest = np.arange(size) != np.argmin(share[row])
        share[row, ~rest] = 0.0
        share[row, rest] = _shares(covariance[row][np.ix_(rest, rest)][None])[0]
    return np.maximum(share, 0.0)


def disputed(
    spread: HeightSpread, vertex: IntArray, points: IntArray, step: FloatArray
) -> HeightSpread:
    """Return the spread with pairs of points (k, 2) of one place that differ by steps (k,) m.

    One of the two is not the ground. Their vertex, with all other points of it, gets an sd of the
    step itself, so that what is proved with it holds whichever of them is true.
    """
    count = np.bincount(vertex[vertex >= 0], minlength=1)
    largest = np.zeros(len(count) + 1)  # the last one is for points without a place
    np.maximum.at(largest, vertex[points.reshape(-1)], np.repeat(np.abs(step), 2))
    widened = spread.own**2 + np.append(count, 0)[vertex] * largest[vertex] ** 2
    return HeightSpread(np.sqrt(widened), spread.common)
