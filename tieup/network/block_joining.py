"""How two blocks join in plan: by their shared places, else through one setup.

Rigid clouds are tried first. Where they do not agree, or where sights without distance
or occupied marks tie two blocks, a single setup of one block is placed on the marks of
the other and takes its block along.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.network.block_growth import LIKELY_ACCIDENT, Block, Growth, Place, Pose, shared_places
from tieup.network.placing import gather, place_setup, spread_rows
from tieup.network.polar_sets import PLAIN, Ties
from tieup.network.resection import cross_circles, intersect
from tieup.network.rigid import SHORTEST_BASE, CloudFit, ComplexArray, consensus, fit_rigid

CHECKED = 3  # redundancy of three marks that agree
MOST_SETUPS = 8  # setups of a block tried one by one
LOOSE = 5.0  # times the tolerance, once nothing better is left
DISAGREEMENT = 0.1  # of the distance between two marks, and
FARTHEST = 0.5  # metres: two marks that disagree by more are no tie at all


class HorizontalFit:
    """Weigh a join of two blocks; knows the ties of every setup."""

    def __init__(self, ties: Ties) -> None:
        self.ties = ties
        order = np.argsort(ties.setup, kind="stable")
        setups, starts = np.unique(ties.setup[order], return_index=True)
        self.rows = dict(zip(setups.tolist(), np.split(order, starts)[1:], strict=True))

    def __call__(self, here: Block, there: Block) -> CloudFit | None:
        """Return the best supported move of ``there`` onto ``here``."""
        shared = shared_places(here, there)
        fit = consensus(*shared)
        if fit is not None and fit.redundancy >= CHECKED:
            return fit
        offered = len(set(shared[0].tolist()))
        rays = bool(here.rays or there.rays)
        if not rays and offered < 3:
            return fit
        found = [fit, *self._through_setups(here, there)]
        found += [_inverse(back) for back in self._through_setups(there, here)]
        good = [fit for fit in found if fit is not None and fit.chance <= LIKELY_ACCIDENT]
        return min(good, key=lambda fit: (-fit.redundancy, fit.strain), default=None)

    def _through_setups(self, here: Block, there: Block) -> list[CloudFit]:
        """Place setups of ``there`` on the marks of ``here``."""
        fits = []
        for setup in self._most_tied(here, there):
            rows = self.rows[setup]
            marks = set(self.ties.point[rows].tolist()) & here.places.keys()
            known = {mark: here.best_place(mark)[::2] for mark in marks}
            placed = place_setup(gather(self.ties, rows, known))
            if placed is not None and (not placed.turn_open or _alone(there, placed.redundancy)):
                turn, shift = _move(there.poses[setup], (placed.turn, placed.station))
                fits.append(CloudFit(turn, shift, placed.redundancy, placed.strain, placed.chance))
        return fits

    def _most_tied(self, here: Block, there: Block) -> list[int]:
        """Return the setups of ``there`` with the most sights of marks in ``here``."""
        known = here.places.keys()
        if len(there.poses) == 1:
            return list(there.poses)
        linked = [mark for mark in (*there.places, *there.rays) if mark in known]
        wanted = np.isin(self.ties.point, linked)
        count = np.bincount(self.ties.setup[wanted], minlength=max(there.poses, default=0) + 1)
        return sorted(there.poses, key=lambda setup: -int(count[setup]))[:MOST_SETUPS]


def _alone(block: Block, redundancy: int) -> bool:
    """Tell whether a setup may join by its distances: it takes nobody along on a false turn."""
    return len(block.poses) == 1 and redundancy >= CHECKED


def _move(own: Pose, wanted: Pose) -> Pose:
    """Return the move that takes a setup's pose in its block to the wanted one."""
    turn = wanted[0] * own[0].conjugate()
    return turn, wanted[1] - turn * own[1]


def _inverse(fit: CloudFit) -> CloudFit:
    turn = fit.turn.conjugate()
    return replace(fit, turn=turn, shift=-turn * fit.shift)


def loosest_join(growth: Growth) -> bool:
    """Join by what is left: wide tolerances, then two marks that disagree a little."""
    found = []
    for here, there in growth.pairs(2):  # a single mark says nothing of the turn
        shared = shared_places(growth.blocks[here], growth.blocks[there])
        mark, mine, theirs, tolerance, support = shared
        fit = consensus(mark, mine, theirs, LOOSE * tolerance, support)
        if fit is not None and fit.chance <= LIKELY_ACCIDENT:
            found.append((-fit.redundancy, fit.strain, here, there, fit))
        elif len(mark) == 2 and mark[0] != mark[1]:
            forced = _forced(mine, theirs)
            if forced is not None:
                found.append((0, forced.strain, here, there, forced))
    if not found:
        return False
    *_, here, there, fit = min(found, key=lambda entry: entry[:4])
    growth.merge(here, there, fit.turn, fit.shift)
    return True


def _forced(mine: ComplexArray, theirs: ComplexArray) -> CloudFit | None:
    """Fit two marks whose distance does not agree, splitting the difference."""
    lengths = abs(mine[1] - mine[0]), abs(theirs[1] - theirs[0])
    gap = abs(lengths[0] - lengths[1])
    if min(lengths) < SHORTEST_BASE or gap > min(FARTHEST, DISAGREEMENT * max(lengths)):
        return None
    turn, shift = fit_rigid(mine, theirs, np.ones(2))
    return CloudFit(turn, shift, 0, float(gap / min(lengths)))


def locate_marks(growth: Growth, ties: Ties) -> bool:
    """Place marks by the rays and distances of two or more setups of one block."""
    gained = False
    for number in sorted(growth.grown):
        block = growth.blocks[number]
        growth.grown.discard(number)
        for mark in [mark for mark in block.rays if mark not in block.places]:
            place = _crossing(ties, np.array(block.rays[mark]), block)
            if place is not None:
                growth.add_place(number, mark, place)
                gained = True
    return gained


def _crossing(ties: Ties, rows: IntArray, block: Block) -> Place | None:
    """Return the place most rays and distances to a mark agree on."""
    setups = ties.setup[rows].tolist()
    if len(set(setups)) < 2:
        return None
    origin = np.array([block.poses[setup][1] for setup in setups])
    bearing = ties.direction[rows] + np.angle([block.poses[setup][0] for setup in setups])
    radius = ties.horizontal[rows]
    ties = ties.take(rows)
    points = _crossings(origin, bearing, radius)
    points = points[np.isfinite(points)]
    if not len(points):
        return None
    ray = points[:, None] - origin
    turned = ray * np.exp(-1j * bearing)
    reach = PLAIN + ties.sharp * np.abs(ray)
    across = np.where(turned.real > 0.0, np.abs(turned.imag), np.inf) / reach
    along = np.abs(np.abs(ray) - radius) / ties.along
    observed = np.concatenate([np.isfinite(bearing), np.isfinite(radius)])
    misfit = np.where(observed, np.concatenate([across, along], axis=1), np.inf)
    count = (misfit <= 1.0).sum(axis=1)
    best = int(np.lexsort((np.minimum(misfit, 1.0).sum(axis=1), -count))[0])
    agreed = count == count[best]
    rivals = agreed & (np.abs(points - points[best]) > LOOSE * float(reach[best].max()))
    if count[best] < 2 or (count[best] == 2 and observed.sum() > 2) or rivals.any():
        return None
    return complex(points[best]), 1.0, LOOSE * float(reach[best].max())


def _crossings(origin: ComplexArray, bearing: FloatArray, radius: FloatArray) -> ComplexArray:
    """Return where pairs of rays, and pairs of circles, cross."""
    points = [np.zeros(0, dtype=np.complex128)]
    directed = spread_rows(np.flatnonzero(np.isfinite(bearing)), bearing)
    measured = spread_rows(np.flatnonzero(np.isfinite(radius)), radius)
    if len(directed) > 1:
        pairs = np.array(list(combinations(directed, 2)))
        points.append(intersect(origin[pairs], bearing[pairs]))
    if len(measured) > 1:
        pairs = np.array(list(combinations(measured, 2)))
        points.append(cross_circles(origin[pairs], radius[pairs]).ravel())
    return np.concatenate(points)
