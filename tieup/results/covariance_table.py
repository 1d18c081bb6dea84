"""covariance.csv: the marks with their full covariance, as the control of another day.

It is that of the solution with the stated sds, for with those the next day weighs its own readings:
both days one after the other then give what both give in one adjustment. Held coordinates have a
variance of 0.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.diagnose.basis.solve import Solved
from tieup.model.arrays import IntArray
from tieup.model.reconciliation import Table
from tieup.units import length_factor

MOST = 100  # points: a file of a few megabytes
COORDINATES = ("northing", "easting", "elevation")


def covariance_table(stated: Solved, marks: IntArray, unit: str) -> Table:
    """Return the covariance of the points of a solution, in the length unit ``unit`` squared.

    Of the ``marks`` (n,) alone where there are too many points, nothing where these are too many
    too. Numbers are texts with all their digits: they are read again, and nothing may be lost.
    """
    network, adjustment = stated.network, stated.adjustment
    every = np.flatnonzero(adjustment.problem.solved_point)
    marks = every if len(every) <= MOST else np.intersect1d(marks, every)
    if not 0 < len(marks) <= MOST:
        return {}
    place = adjustment.position[marks] + network.origin
    place[~network.start.height_point[marks], 2] = np.nan
    rows = np.flatnonzero(np.isfinite(place).ravel())
    joint = point_covariance(adjustment, marks).reshape(3 * len(marks), -1)
    held = adjustment.problem.held_point[marks].ravel()
    joint[held] = joint[:, held] = 0.0
    length = length_factor(unit)
    matrix = joint[np.ix_(rows, rows)] / length**2
    one, two = np.tril_indices(len(rows))
    kept = (one == two) | (matrix[one, two] != 0.0)
    one, two = one[kept], two[kept]
    names = np.array(network.point_names, dtype=object)[marks[rows // 3]]
    kinds = np.array(COORDINATES, dtype=object)[rows % 3]
    values = np.array(list(map(repr, (place.ravel()[rows] / length).tolist())), dtype=object)
    return {
        "point": names[one],
        "coordinate": kinds[one],
        "with_point": names[two],
        "with_coordinate": kinds[two],
        "unit": np.full(len(one), unit, dtype=object),
        "value": np.where(one == two, values[one], ""),
        "covariance": np.array(list(map(repr, matrix[one, two].tolist())), dtype=object),
    }
