"""covariance.csv: the marks with their full covariance, as the control of another day.

It is that of the solution with the stated sds, for with those the next day weighs its own readings:
both days one after the other then give what both give in one adjustment. Held coordinates have a
variance of 0.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.covariance import point_covariance
from tieup.diagnose.solve import Solved
from tieup.model.arrays import IntArray
from tieup.model.reconciliation import Covariance

MOST = 200  # points: a file of a few megabytes
COORDINATES = ("northing", "easting", "elevation")


def covariance_of(stated: Solved, marks: IntArray, length: float) -> Covariance | None:
    """Return the covariance of the points of a solution; ``length`` is m in the job's unit.

    Of the ``marks`` (n,) alone where there are too many points, None where they are too many too.
    """
    network, adjustment = stated.network, stated.adjustment
    every = np.flatnonzero(adjustment.problem.solved_point)
    marks = every if len(every) <= MOST else np.intersect1d(marks, every)
    if not 0 < len(marks) <= MOST:
        return None
    place = adjustment.position[marks] + network.origin
    place[~network.start.height_point[marks], 2] = np.nan
    known = np.isfinite(place).ravel()
    joint = point_covariance(adjustment, marks).reshape(3 * len(marks), -1)
    held = adjustment.problem.held_point[marks].ravel()
    joint[held] = joint[:, held] = 0.0
    rows = np.flatnonzero(known)
    matrix = joint[np.ix_(rows, rows)]
    return Covariance(
        points=tuple(network.point_names[mark] for mark in marks[rows // 3].tolist()),
        coordinates=tuple(COORDINATES[part] for part in (rows % 3).tolist()),
        values=place.ravel()[rows] / length,
        matrix=0.5 * (matrix + matrix.T) / length**2,
    )
