"""Covariance of any points and setups, on request, by solving with the factor.

Every point is a linear function of the system's unknowns, plus, for a point that
nothing checks, a part of its own. With F the rows of the wanted functions,
Q_wanted = F Q F' + own; the frame's transfer is applied to both sides.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray


def point_covariance(adjustment: Adjustment, points: IntArray) -> FloatArray:
    """Return the joint covariance (n, 3, n, 3) in m^2 of ``points`` (n,), in the frame.

    Rows of unsolved points are NaN.
    """
    functions, own = _point_functions(adjustment, points)
    joint = function_covariance(adjustment, *functions)
    joint = joint.reshape(len(points), 3, len(points), 3)
    index = np.arange(len(points))
    joint[index, :, index, :] += own
    unsolved = ~adjustment.problem.solved_point[points]
    joint[unsolved] = np.nan
    joint[:, :, unsolved] = np.nan
    return joint


def function_covariance(
    adjustment: Adjustment, by_setup: FloatArray, by_point: FloatArray
) -> FloatArray:
    """Return the covariance (f, f) of linear functions of the system's unknowns.

    ``by_setup`` (S, 4, f) and ``by_point`` (P, 3, f) are the functions' coefficients;
    those of points outside the system count as 0.
    """
    free_setup, free_point = ~adjustment.held.setup, ~adjustment.held.point
    left_setup = by_setup * free_setup[:, :, None]
    left_point = by_point * free_point[:, :, None]
    setup, point = elimination.solve(adjustment.system, left_setup, left_point)
    covariance = _product(left_setup, left_point, setup, point)
    transfer = adjustment.transfer
    if transfer.motions.count:
        moved = _product(by_setup, by_point, transfer.motions.setup, transfer.motions.point)
        weight = _product(by_setup, by_point, transfer.setup, transfer.point)
        cross = moved @ weight.T
        covariance = covariance - cross - cross.T
    return covariance


def _product(
    left_setup: FloatArray, left_point: FloatArray, setup: FloatArray, point: FloatArray
) -> FloatArray:
    """Return L' R of two sets of columns over all unknowns."""
    return np.asarray(
        np.tensordot(left_setup, setup, axes=([0, 1], [0, 1]))
        + np.tensordot(left_point, point, axes=([0, 1], [0, 1]))
    )


def _point_functions(
    adjustment: Adjustment, points: IntArray
) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
    """Return the rows of each point's three coordinates, and its own covariance (n, 3, 3)."""
    setups, all_points = len(adjustment.axis), len(adjustment.position)
    by_setup = np.zeros((setups, 4, 3 * len(points)))
    by_point = np.zeros((all_points, 3, 3 * len(points)))
    own = np.zeros((len(points), 3, 3))
    aside = adjustment.aside
    row_of = {int(p): row for row, p in enumerate(aside.connections.point)}
    for i, p in enumerate(points):
        row = row_of.get(int(p))
        columns = slice(3 * i, 3 * i + 3)
        if row is None:
            by_point[p, :, columns] = np.eye(3)
        else:
            by_setup[aside.connections.setup[row], :, columns] = aside.by_setup[row].T
            own[i] = aside.own[row]
    return (by_setup, by_point), own
