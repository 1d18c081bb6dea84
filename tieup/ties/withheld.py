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

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from tieup.adjust.cofactors import group_cofactors, sight_functions
from tieup.adjust.estimable import Information, stacked
from tieup.adjust.hypothesis import sight_rows
from tieup.adjust.observation_equations import Connections, linearise
from tieup.adjust.solution import Adjustment
from tieup.adjust.weights import connection_noise
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import FloatArray, IntArray, distinct_pairs
from tieup.model.observations import DIRECTION, ZENITH, Sights
from tieup.model.settings import Precision
from tieup.reduce.grouping import rows_by_group


@dataclass(frozen=True)
class WithheldTies:
    """What left-out sights add to the ``info`` of t ties of ``point`` and ``setup`` (t,)."""

    point: IntArray
    setup: IntArray
    info: Information


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
    ties = rows_by_group(group, len(pairs))
    info = stacked([*_information(adjustment, rows, ties)] if ties else [], 3)
    return WithheldTies(pairs[:, 0], pairs[:, 1], info)


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
        sights.basis[chosen],
    )
    axis, position = adjustment.axis, adjustment.position
    noise = connection_noise(connections, sights, precision, axis, position)
    bend = curvature_coefficient(refraction)
    places = axis, adjustment.orientation, position
    linear = linearise(connections, *places, bend, adjustment.turn)
    linear.by_mark[flat[chosen], :, 2] = 0.0
    by_place = noise.whitened(linear.by_mark)
    by_setup = np.zeros((len(connections), 3, 4))
    by_setup[:, :, :3] = -by_place
    by_setup[:, DIRECTION, 3] = -linear.turns * noise.scale[:, DIRECTION]
    return _Rows(connections, by_setup, by_place, noise.whitened(linear.misclosure))


def _information(
    adjustment: Adjustment, rows: _Rows, ties: list[IntArray]
) -> Iterator[Information]:
    """Give what the left-out sights (n,) of each tie say of its shift."""
    out, order, taken = rows.connections, np.concatenate(ties), adjustment.connections
    functions = sight_functions(
        adjustment, out.setup[order], out.point[order], rows.by_setup[order], rows.by_place[order]
    )
    edges = np.array([*accumulate((3 * len(members) for members in ties), initial=0)])
    groups = group_cofactors(adjustment, functions.rows, edges)
    for members, (own, solved) in zip(ties, groups, strict=True):
        joint = functions.rows[own] @ solved + functions.own[own, own].toarray()
        joint += np.eye(len(joint))
        setup, point = out.setup[members[0]], out.point[members[0]]
        inside = np.flatnonzero((taken.setup == setup) & (taken.point == point))
        fitted = sight_rows(adjustment, inside) @ solved
        place = rows.by_place[members].reshape(-1, 3)
        left_over = place - fitted.T @ adjustment.rows.by_place[inside].reshape(-1, 3)
        weighted = np.linalg.solve(joint, left_over)
        push = weighted.T @ rows.misclosure[members].reshape(-1)
        yield Information(place.T @ place, left_over.T @ weighted, push)
