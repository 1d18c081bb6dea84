"""Points with a place and what they come from: marks of the site and points worked out of them.

A derived point is a function of a few marks. To first order its error is J e + r, with e the
errors of those marks, J the function's derivatives and r an error of its own (a typed value
with a stated sd). So the joint covariance of any points follows from that of the marks:
J C J' + own (law of propagation of variances, e.g. Ghilani, Adjustment Computations, ch. 6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray
from tieup.threads import one_thread

TOGETHER = 16  # points of several marks that one question to the factor is about


@dataclass(frozen=True)
class PlacedPoint:
    """One point with a place.

    ``position`` (3,) northing, easting, elevation in m, in the frame of
    `Adjustment.position`; NaN where undefined. ``marks`` are numbers of the k marks it comes
    from, ``jacobian`` (3, 3 k) its derivatives by their coordinates, mark by mark; ``own``
    (3, 3) m^2 the covariance that no mark explains. ``between`` names the two points of a leg
    that it lies on.
    """

    name: str
    position: FloatArray
    marks: tuple[int, ...]
    jacobian: FloatArray
    own: FloatArray
    between: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the points that it stands for: itself, or those it lies between."""
        return self.between or (self.name,)


def place_of_mark(name: str, number: int, position: FloatArray) -> PlacedPoint:
    """Return mark ``number`` at ``position`` (3,) as a point that comes from itself."""
    return PlacedPoint(name, position, (number,), np.eye(3), np.zeros((3, 3)))


def full_covariance(adjustment: Adjustment, points: Sequence[PlacedPoint]) -> FloatArray:
    """Return the joint covariance (n, 3, n, 3) in m^2 of placed points."""
    marks = sorted({mark for point in points for mark in point.marks})
    if not marks:
        whole = np.zeros((0, 0))
    else:
        with one_thread():
            whole = point_covariance(adjustment, np.array(marks, dtype=np.int64))
        whole = whole.reshape(3 * len(marks), 3 * len(marks))
    column = {mark: 3 * i for i, mark in enumerate(marks)}
    derivatives = np.zeros((3 * len(points), 3 * len(marks)))
    for i, point in enumerate(points):
        for j, mark in enumerate(point.marks):
            at = column[mark]
            derivatives[3 * i : 3 * i + 3, at : at + 3] += point.jacobian[:, 3 * j : 3 * j + 3]
    # A typed elevation does not depend on its mark's: 0 times unknown is 0, not unknown.
    joint = _product(derivatives, whole).reshape(len(points), 3, len(points), 3)
    for i, point in enumerate(points):
        joint[i, :, i, :] += point.own
    return joint


def covariances(adjustment: Adjustment, points: Sequence[PlacedPoint]) -> FloatArray:
    """Return the covariance (n, 3, 3) in m^2 of each placed point, NaN where it has no place."""
    own = np.full((len(points), 3, 3), np.nan)
    several = []
    for i, point in enumerate(points):
        if len(point.marks) == 1:
            mark = adjustment.point_covariance[point.marks[0]]
            own[i] = _product(point.jacobian, mark) + point.own
        elif point.marks:
            several.append(i)
    for start in range(0, len(several), TOGETHER):
        part = several[start : start + TOGETHER]
        joint = full_covariance(adjustment, [points[i] for i in part])
        own[part] = [joint[k, :, k, :] for k in range(len(part))]
    return own


def _product(derivatives: FloatArray, whole: FloatArray) -> FloatArray:
    """Return J C J' in which an unknown of C counts only where J asks for it."""
    unknown = np.isnan(whole)
    product = derivatives @ np.where(unknown, 0.0, whole) @ derivatives.T
    if unknown.any():
        asked = (derivatives != 0).astype(float)
        product[asked @ unknown.astype(float) @ asked.T > 0] = np.nan
    return np.asarray(product)
