"""Legs between successive points of lines: length and drop with their joint covariance.

With l the horizontal length, h = H_start - H_end the drop and u the plan direction of the leg,

    dl = u . (dP_end - dP_start)        dh = dH_start - dH_end

so their covariance follows from the joint covariance of both ends (law of propagation of
variances, e.g. Ghilani, Adjustment Computations, ch. 6). What both ends share cancels: the
height of the instrument and its error hardly matter inside one setup, and they do across a joint.

Shots that nothing else checks hang on their setup alone, so a leg between two of them, or from
one to a mark that the setup sights, needs no solving. All other legs do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.adjust.cofactors import group_point_covariances
from tieup.adjust.solution import Adjustment
from tieup.derive.placed import PlacedPoint, full_covariance
from tieup.derive.places import Places
from tieup.linework.site_lines import SiteLine
from tieup.model.arrays import BoolArray, FloatArray, IntArray

NO_LENGTH = 1e-4  # m; less shows no direction; our choice


@dataclass(frozen=True)
class Legs:
    """Legs (n,) of all lines, in order.

    ``line`` and ``part`` say of which line and which of its parts; ``start``, ``end`` are point
    numbers. ``length``, ``drop`` (m; positive where it falls from start to end) and their
    ``covariance`` (n, 2, 2) in m^2.
    """

    line: IntArray
    part: IntArray
    start: IntArray
    end: IntArray
    length: FloatArray
    drop: FloatArray
    covariance: FloatArray

    def __len__(self) -> int:
        return len(self.line)


def legs_of(lines: Sequence[SiteLine], places: Places) -> Legs:
    """Return the legs of all lines, whose points are numbered as in ``places``."""
    numbers = [
        (i, j, a, b)
        for i, line in enumerate(lines)
        for j, part in enumerate(line.parts)
        for a, b in pairwise(part)
    ]
    line, part, start, end = np.array(numbers, dtype=np.int64).reshape(-1, 4).T
    step = places.position[end] - places.position[start]
    covariance = np.empty((len(line), 2, 2))
    marks = np.maximum(start, end) < places.marks
    covariance[marks] = leg_covariance(places.adjustment, start[marks], end[marks], step[marks])
    for i in np.flatnonzero(~marks).tolist():
        ends = places.placed(int(start[i])), places.placed(int(end[i]))
        covariance[i] = pair_covariance(places.adjustment, *ends)
    return Legs(
        line=line,
        part=part,
        start=start,
        end=end,
        length=np.hypot(step[:, 0], step[:, 1]),
        drop=-step[:, 2],
        covariance=covariance,
    )


def pair_covariance(adjustment: Adjustment, start: PlacedPoint, end: PlacedPoint) -> FloatArray:
    """Return the covariance (2, 2) of length and drop between any two points."""
    by_end = _by_end((end.position - start.position)[None])[0]
    by_both = np.concatenate([-by_end, by_end], axis=1)
    joint = full_covariance(adjustment, [start, end]).reshape(6, 6)
    return np.asarray(by_both @ joint @ by_both.T)


def leg_covariance(
    adjustment: Adjustment, start: IntArray, end: IntArray, step: FloatArray
) -> FloatArray:
    """Return the covariance (n, 2, 2) of length and drop of legs with plan steps ``step`` (n, 3).

    NaN where there is no length.
    """
    by_end = _by_end(step)
    covariance = np.full((len(start), 2, 2), np.nan)
    short = _hanging(adjustment, start, end, by_end, covariance)
    others = np.flatnonzero(~short & np.isfinite(by_end).all(axis=(1, 2)))
    groups = [np.array([start[i], end[i]]) for i in others.tolist()]
    joints = group_point_covariances(adjustment, groups)
    for i, joint in zip(others.tolist(), joints, strict=True):
        by_both = np.concatenate([-by_end[i], by_end[i]], axis=1)
        covariance[i] = by_both @ joint @ by_both.T
    return covariance


def _by_end(step: FloatArray) -> FloatArray:
    """Return the derivatives (n, 2, 3) of length and drop by the end of each leg."""
    length = np.hypot(step[:, 0], step[:, 1])
    by_end = np.zeros((len(step), 2, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        by_end[:, 0, :2] = step[:, :2] / np.where(length < NO_LENGTH, np.nan, length)[:, None]
    by_end[:, 1, 2] = -1.0
    return by_end


def _hanging(
    adjustment: Adjustment,
    start: IntArray,
    end: IntArray,
    by_end: FloatArray,
    covariance: FloatArray,
) -> BoolArray:
    """Fill in the legs that hang on one setup; return which they are (n,).

    A shot p of setup s has dp = T ds + e; with C = cov(m, s) for a mark m of the setup,

        cov(p - q) = (T_p - T_q) S (T_p - T_q)' + E_p + E_q
        cov(p - m) = T_p S T_p' + E_p + M - T_p C' - C T_p'
    """
    aside = adjustment.aside
    row_of = np.full(len(adjustment.position), -1)
    row_of[aside.connections.point] = np.arange(len(aside.connections))
    a, b = row_of[start], row_of[end]
    if not ((a >= 0) | (b >= 0)).any():
        return np.zeros(len(start), dtype=bool)
    setup = np.append(aside.connections.setup, -1)
    both = (a >= 0) & (b >= 0) & (setup[a] == setup[b])
    rows = np.flatnonzero(both)
    move = aside.by_setup[b[rows]] - aside.by_setup[a[rows]]
    inner = move @ adjustment.setup_covariance[setup[a[rows]]] @ move.transpose(0, 2, 1)
    inner += aside.own[a[rows]] + aside.own[b[rows]]
    covariance[rows] = by_end[rows] @ inner @ by_end[rows].transpose(0, 2, 1)
    if adjustment.transfer.motions.count:  # marks and setups stand in different datums
        return np.asarray(both)
    one = (a >= 0) ^ (b >= 0)
    shot, mark = np.where(a >= 0, a, b), np.where(a >= 0, end, start)
    sight = _sight_of(adjustment, setup[shot], mark)
    one &= sight >= 0
    rows = np.flatnonzero(one)
    to, own = aside.by_setup[shot[rows]], aside.own[shot[rows]]
    cross = to @ adjustment.mark_setup[sight[rows]].transpose(0, 2, 1)
    inner = to @ adjustment.setup_covariance[setup[shot[rows]]] @ to.transpose(0, 2, 1)
    inner += own + adjustment.point_covariance[mark[rows]] - cross - cross.transpose(0, 2, 1)
    covariance[rows] = by_end[rows] @ inner @ by_end[rows].transpose(0, 2, 1)
    return np.asarray(both | one)


def _sight_of(adjustment: Adjustment, setup: IntArray, mark: IntArray) -> IntArray:
    """Return a connection (n,) of each setup with each mark, -1 where there is none."""
    connections, points = adjustment.connections, len(adjustment.position)
    if not len(connections):  # one setup alone
        return np.full(len(setup), -1)
    key = connections.setup * points + connections.point
    order = np.argsort(key, kind="stable")
    wanted = setup * points + mark
    found = order[np.minimum(np.searchsorted(key[order], wanted), len(order) - 1)]
    return np.where((setup >= 0) & (key[found] == wanted), found, -1)
