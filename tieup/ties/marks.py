"""Mark by mark: where one setup alone puts it, minus where the rest of the site does.

The difference is the shift of the mark, as this one setup saw it, that its
observations ask for against all others. Leaving the setup's sights of the mark out
and computing it both ways gives the same numbers; here they come from the leverage of
the adjustment, with the full covariance: the setup's common errors (its position, its
orientation, its instrument height) are in the standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.hypothesis import gram, place_shift, project, score
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray

TESTABLE = 1e-3  # smallest share of a shift that must stay visible in the residuals


@dataclass(frozen=True)
class MarkTies:
    """Ties, t of them, ordered by point then setup.

    ``difference`` (t, 3) N, E, H in m and its ``covariance`` (t, 3, 3); NaN in plan or in
    height where nothing tests it. ``control`` (t,) marks control points.
    """

    point: IntArray
    setup: IntArray
    difference: FloatArray
    covariance: FloatArray
    control: BoolArray

    @property
    def sd(self) -> FloatArray:
        """Return the standard deviations (t, 3) in m."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


def mark_ties(adjustment: Adjustment) -> MarkTies:
    """Return every tie of a shared or control mark with a setup that sights it."""
    connections = adjustment.connections
    sights = np.flatnonzero(~connections.plumb)
    keys = np.column_stack([connections.point[sights], connections.setup[sights]])
    pairs, group = np.unique(keys, axis=0, return_inverse=True)
    control = np.isfinite(adjustment.problem.frame.control).any(axis=1)
    setups_of = np.bincount(pairs[:, 0], minlength=len(control))
    occupied = np.unique(connections.point[connections.plumb])
    shared = setups_of > 1
    shared[occupied] = True
    wanted = np.flatnonzero((shared | control)[pairs[:, 0]])
    order = np.argsort(group, kind="stable")
    starts = np.searchsorted(group[order], np.arange(len(pairs) + 1))
    members = [sights[order[starts[i] : starts[i + 1]]] for i in wanted]
    difference, covariance = _differences(adjustment, members)
    point, setup = pairs[wanted].T
    return MarkTies(point, setup, difference, covariance, control[point])


def _differences(adjustment: Adjustment, members: list[IntArray]) -> tuple[FloatArray, FloatArray]:
    """Return shifts (t, 3) and covariances (t, 3, 3) of each list of connections."""
    seen = np.empty((len(members), 3, 3))
    left = np.empty((len(members), 3, 3))
    push = np.empty((len(members), 3))
    single = np.array([len(m) == 1 for m in members], dtype=bool)
    one = np.array([m[0] for m in members], dtype=np.int64)[single]
    place = adjustment.rows.by_place[one]
    with np.errstate(invalid="ignore"):
        residual = np.nan_to_num(adjustment.residual[one] / adjustment.sd[one])
    across = place.transpose(0, 2, 1)
    seen[single] = across @ place
    left[single] = seen[single] - across @ adjustment.leverage[one] @ place
    push[single] = -(across @ residual[:, :, None])[:, :, 0]
    several = np.flatnonzero(~single)
    if len(several):
        bias = place_shift(adjustment, [members[i] for i in several])
        whole, remaining = gram(bias, bias), gram(bias, project(adjustment, bias))
        pushes = score(adjustment, bias)
        for number, i in enumerate(several):
            own = slice(3 * number, 3 * number + 3)
            seen[i], left[i], push[i] = whole[own, own], remaining[own, own], pushes[own]
    return _solve(seen, left, push)


def _solve(seen: FloatArray, left: FloatArray, push: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Solve for the shifts; in plan alone or in height alone where not all three show."""
    difference = np.full(push.shape, np.nan)
    covariance = np.full(left.shape, np.nan)
    for parts in (np.arange(3), np.arange(2), np.array([2])):
        square = np.ix_(np.arange(len(push)), parts, parts)
        open_ = np.isnan(difference[:, parts]).all(axis=1)
        good = open_ & _visible(seen[square], left[square])
        inverse = np.linalg.inv(left[square][good])
        rows = np.flatnonzero(good)
        difference[np.ix_(rows, parts)] = (inverse @ push[np.ix_(rows, parts)][:, :, None])[:, :, 0]
        covariance[np.ix_(rows, parts, parts)] = inverse
    return difference, covariance


def _visible(seen: FloatArray, left: FloatArray) -> BoolArray:
    """Say which shifts stay visible: the smallest share that the residuals keep of them."""
    scale = np.diagonal(seen, axis1=1, axis2=2)
    measured: BoolArray = (scale > 0).all(axis=1) & (np.linalg.cond(seen) < 1e12)
    share = np.zeros(len(seen))
    root = np.linalg.inv(np.linalg.cholesky(seen[measured]))
    kept = root @ left[measured] @ root.transpose(0, 2, 1)
    share[measured] = np.linalg.eigvalsh(kept)[:, 0]
    return np.asarray(share > TESTABLE)
