"""Ties of sights that were left out of the solution, so that they can still be shown.

A shot with a 0.100 m mistake is taken out before the site is solved. The crew lead still has
to see it: where does that shot put the mark, and where does the site? What was left out is
added to the tie's information as a second batch of observations, with x the unknowns, d the
shift of the mark as this setup sees it, and everything whitened:

    l = A x + B d + e,   x depends on d through the sights of the tie that did take part:
    K = B - A Q A_in' B_in,   S = I + A Q A',   information K' S^-1 K,   push K' S^-1 l

References: sequential least squares, as in Ghilani, Adjustment Computations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.equations import Connections, linearise
from tieup.adjust.solution import Adjustment
from tieup.adjust.weights import connection_noise
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import FloatArray, IntArray, distinct_pairs
from tieup.model.observations import DIRECTION, ZENITH, Sights
from tieup.model.settings import Precision
from tieup.ties.grouping import rows_by_group

BATCH = 16  # ties solved together: a right-hand side is as long as the site


@dataclass(frozen=True)
class WithheldTies:
    """What left-out sights add to q ties: ``seen``, ``left`` (q, 3, 3) and ``push`` (q, 3).

    As in `tieup.ties.marks`: information with everything else known, with it estimated, and
    the weighted misclosure.
    """

    point: IntArray
    setup: IntArray
    seen: FloatArray
    left: FloatArray
    push: FloatArray


@dataclass(frozen=True)
class _Rows:
    """Whitened rows of w left-out sights: by setup (w, 3, 4), by place (w, 3, 3), l (w, 3)."""

    connections: Connections
    by_setup: FloatArray
    by_place: FloatArray
    misclosure: FloatArray


def withheld_ties(
    adjustment: Adjustment, sights: Sights, precision: Precision, refraction: float
) -> WithheldTies:
    """Linearise left-out sights at the solution and gather them by mark and setup.

    Parameters
    ----------
    sights
        In the numbering of the solution's network; ``value`` NaN in what was *not* left out.
    """
    rows = _rows(adjustment, sights, precision, refraction)
    out = rows.connections
    pairs, group = distinct_pairs(out.point, out.setup)
    members = rows_by_group(group, len(pairs))
    seen, left = np.zeros((len(pairs), 3, 3)), np.zeros((len(pairs), 3, 3))
    push = np.zeros((len(pairs), 3))
    for start in range(0, len(pairs), BATCH):
        batch = members[start : start + BATCH]
        for i, parts in enumerate(_information(adjustment, rows, batch), start):
            seen[i], left[i], push[i] = parts
    return WithheldTies(pairs[:, 0], pairs[:, 1], seen, left, push)


def _rows(adjustment: Adjustment, sights: Sights, precision: Precision, refraction: float) -> _Rows:
    problem = adjustment.problem
    known = problem.solved_setup[sights.setup] & problem.solved_point[sights.point]
    value, start = sights.value.copy(), problem.network.start
    # What reaches no height says none: the heights that the solution has there are stand-ins.
    flat = ~(start.height_setup[sights.setup] & start.height_point[sights.point])
    value[flat, ZENITH] = np.nan
    chosen = np.flatnonzero(known & np.isfinite(value).any(axis=1))
    connections = Connections(
        sights.setup[chosen],
        sights.point[chosen],
        value[chosen],
        sights.target_height[chosen],
        np.zeros(len(chosen), dtype=bool),
        chosen,
        sights.level[chosen],
        sights.azimuth[chosen],
    )
    axis, position = adjustment.axis, adjustment.position
    noise = connection_noise(connections, sights, precision, axis, position)
    bend = curvature_coefficient(refraction)
    linear = linearise(connections, axis, adjustment.orientation, position, bend)
    linear.by_mark[flat[chosen], :, 2] = 0.0
    by_place = noise.whitened(linear.by_mark)
    by_setup = np.zeros((len(connections), 3, 4))
    by_setup[:, :, :3] = -by_place
    by_setup[:, DIRECTION, 3] = -linear.turns * noise.scale[:, DIRECTION]
    return _Rows(connections, by_setup, by_place, noise.whitened(linear.misclosure))


def _information(
    adjustment: Adjustment, rows: _Rows, batch: list[IntArray]
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Return seen (3, 3), left (3, 3) and push (3,) of each tie of the batch."""
    order = np.concatenate(batch)
    setup, point, own = _functions(adjustment, rows, order)
    moved_setup, moved_point = elimination.solve(adjustment.system, setup, point)
    taken, design = adjustment.connections, adjustment.rows
    result, used = [], 0
    for members in batch:
        columns = slice(3 * used, 3 * (used + len(members)))
        used += len(members)
        where = (rows.connections.setup[members[0]], rows.connections.point[members[0]])
        joint = np.eye(3 * len(members)) + own[columns, columns]
        joint += np.tensordot(setup[..., columns], moved_setup[..., columns], ([0, 1], [0, 1]))
        joint += np.tensordot(point[..., columns], moved_point[..., columns], ([0, 1], [0, 1]))
        inside = np.flatnonzero((taken.setup == where[0]) & (taken.point == where[1]))
        fitted = design.by_setup[inside] @ moved_setup[taken.setup[inside]][..., columns]
        fitted += design.by_mark[inside] @ moved_point[taken.point[inside]][..., columns]
        place = rows.by_place[members].reshape(-1, 3)
        across = np.einsum("crk,crj->kj", fitted, design.by_place[inside])
        weighted = np.linalg.solve(joint, place - across)
        left = (place - across).T @ weighted
        push = weighted.T @ rows.misclosure[members].reshape(-1)
        result.append((place.T @ place, left, push))
    return result


def _functions(
    adjustment: Adjustment, rows: _Rows, order: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the left-out rows as columns (S, 4, 3w), (P, 3, 3w), and their marks' own share.

    A mark that hangs on one other sight is no unknown of the system: it moves with the setup
    of that sight, and has a covariance of its own, (3w, 3w) here.
    """
    out, aside = rows.connections, adjustment.aside
    setup = np.zeros((len(adjustment.axis), 4, 3 * len(order)))
    point = np.zeros((len(adjustment.position), 3, 3 * len(order)))
    own = np.zeros((3 * len(order), 3 * len(order)))
    for i, row in enumerate(order):
        columns = slice(3 * i, 3 * i + 3)
        s, p = out.setup[row], out.point[row]
        place = rows.by_place[row]
        setup[s, :, columns] += rows.by_setup[row].T
        hangs = np.flatnonzero(aside.connections.point == p)
        if not len(hangs):
            point[p, :, columns] += place.T
            continue
        setup[aside.connections.setup[hangs[0]], :, columns] += (place @ aside.by_setup[hangs[0]]).T
        for j in np.flatnonzero(out.point[order] == p):
            block = place @ aside.own[hangs[0]] @ rows.by_place[order[j]].T
            own[columns, 3 * j : 3 * j + 3] = block
    setup *= ~adjustment.held.setup[:, :, None]
    point *= ~adjustment.held.point[:, :, None]
    return setup, point, own
