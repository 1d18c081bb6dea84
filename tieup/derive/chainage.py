"""Chainage: how far along its part each point of a line lies, with sds.

The chainage of a point is the sum of the leg lengths before it, c = sum of l; its derivative by
a point between is u_before - u_behind, with u the plan directions of the legs at it, and u_before
by the point itself. With the joint covariance C of all points of the part, var(c) = g C g'.

A part whose points all hang on one setup needs no solving: what they share is their setup, the
rest is independent. Of the others not every one can be afforded where there are very many: their
sds stay NaN, as do those of a very long part.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.adjust.cofactors import group_point_covariances
from tieup.adjust.solution import Adjustment
from tieup.derive.placed import full_covariance
from tieup.derive.places import Places
from tieup.model.arrays import FloatArray, IntArray

LONGEST = 700  # points of a part whose joint covariance is put up
MOST = 7000  # points of such parts in all


def chainages(
    parts: Sequence[Sequence[int]], places: Places
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Return the chainages and sds (m) of the points of each part, 0 at its first."""
    along, sds = [], []
    room = MOST
    rows = _hanging_rows(places)
    for numbers in parts:
        part = np.array(numbers, dtype=np.int64)
        step = np.diff(places.position[part], axis=0)
        length = np.hypot(step[:, 0], step[:, 1])
        unit = np.where(length > 0.0, step[:, :2].T / np.where(length > 0.0, length, 1.0), 0.0).T
        along.append(np.concatenate([[0.0], np.cumsum(length)]))
        variance = _on_one_setup(places.adjustment, part, rows[part], unit)
        if variance is None:
            distinct = np.unique(part)
            room -= len(distinct)
            affords = room >= 0 and len(part) <= LONGEST
            variance = _solved(places, part, distinct, unit) if affords else None
        unknown = np.concatenate([[0.0], np.full(len(unit), np.nan)])
        sds.append(unknown if variance is None else np.sqrt(np.maximum(variance, 0.0)))
    return along, sds


def _hanging_rows(places: Places) -> IntArray:
    """Return for each point its row among those that hang on their setup, -1 for the others."""
    points = places.adjustment.aside.connections.point
    rows = np.full(len(places.position), -1)
    rows[points] = np.arange(len(points))
    return rows


def _on_one_setup(
    adjustment: Adjustment, part: IntArray, rows: IntArray, unit: FloatArray
) -> FloatArray | None:
    """Return the variances (k,) of chainages of points on one setup, None where they are not."""
    aside = adjustment.aside
    if (rows < 0).any():
        return None
    setups = aside.connections.setup[rows]
    if (setups != setups[0]).any():
        return None
    if not len(unit):
        return np.zeros(1)
    to, own = aside.by_setup[rows][:, :2], aside.own[rows][:, :2, :2]
    passed = np.concatenate([-unit[:1], unit[:-1] - unit[1:]])  # by each point that lies behind
    shared = np.cumsum(np.einsum("ni,nij->nj", passed, to[:-1]), axis=0)
    shared += np.einsum("ni,nij->nj", unit, to[1:])
    lone = np.cumsum(np.einsum("ni,nij,nj->n", passed, own[:-1], passed))
    lone += np.einsum("ni,nij,nj->n", unit, own[1:], unit)
    if part[0] == part[-1]:  # the last point is the first: one error, not two
        lone[-1] += 2.0 * passed[0] @ own[0] @ unit[-1]
    setup = adjustment.setup_covariance[setups[0]]
    return np.concatenate([[0.0], np.einsum("ni,ij,nj->n", shared, setup, shared) + lone])


def _solved(places: Places, part: IntArray, distinct: IntArray, unit: FloatArray) -> FloatArray:
    """Return the variances (k,) of chainages of any points, by solving."""
    if part.max() < places.marks:
        (joint,) = group_point_covariances(places.adjustment, [distinct])
    else:
        own = [places.placed(int(number)) for number in distinct]
        joint = full_covariance(places.adjustment, own)
    at = np.searchsorted(distinct, part)
    by_point = np.zeros((len(part), len(distinct), 3))
    for leg, direction in enumerate(unit):
        by_point[leg + 1 :, at[leg + 1], :2] += direction
        by_point[leg + 1 :, at[leg], :2] -= direction
    flat = by_point.reshape(len(part), -1)
    covariance = joint.reshape(flat.shape[1], flat.shape[1])
    return np.asarray(np.einsum("ni,ni->n", flat @ covariance, flat))
