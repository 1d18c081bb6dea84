"""What a mistake that nobody notices could do to a place: influence with its bound.

A mistake j is C_j nabla in the readings. With F the matrix of the solution it moves a place by
E_j nabla, E_j = G F C_j. After the readings nabla_j is estimated, N_j^-1 its covariance, and

    bound_j = |E_j nabla_j| + t sd(E_j nabla_j)

is how far leaving j out would move the place, and how sure that is. Whatever single reading,
height or mark were wrong, the place stays within the largest bound. Before the readings the
smallest mistake that would be noticed takes the place of nabla_j (external reliability).

Where some direction of C_j leaves nothing in the misclosures and moves the place, the bound is
infinite.

References: Baarda (1968), external reliability; Cook and Weisberg (1982), influence by leaving
out; Schuirmann (1987), two one-sided tests of equivalence.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import student_critical
from tieup.model.arrays import BoolArray, FloatArray, IntArray

OPEN = 1e-4  # share of a bias that must stay in the misclosures, so that it shows
MOVES = 1e-5  # m per sd of the readings: less moves nothing


@dataclass(frozen=True)
class Guards:
    """Mistakes that are guarded against, n of them with h columns in all.

    ``first`` (n,) and ``degrees`` (n,): where the columns of each begin and how many there are.
    ``size`` (h,) their estimates, ``spread`` (n, 4, 4) the covariance of each mistake's sizes and
    ``hidden`` (n, 4, 4) the directions, as columns one sd long, that do not show, both filled up
    with 0. ``freedom`` (n,): how well the variance
    is known. ``setup`` (S, 4, h) and ``point`` (P, 3, h): F C, what one unit of each column does
    to the solution. ``given`` (n,): it is about control, where open directions are a matter of
    the frame alone. ``moved`` (n,) is the setup whose instrument moved before the raw row ``row``
    (n,), -1 where none did, and ``pose`` (n, 4, 4) what one unit of each size did to it: N, E, H
    in m and turn in rad, by sizes.
    """

    first: IntArray
    degrees: IntArray
    size: FloatArray
    spread: FloatArray
    hidden: FloatArray
    freedom: FloatArray
    setup: FloatArray
    point: FloatArray
    given: BoolArray
    moved: IntArray
    row: IntArray
    pose: FloatArray

    def __len__(self) -> int:
        return len(self.first)

    def bounds(self, effect: FloatArray, chance: float) -> FloatArray:
        """Return how far each mistake could have moved each of f places (f, n), in m.

        ``effect`` (f, k, h): what one unit of each column does to a place, in k components that are
        taken together. ``chance`` is that by which the bound may be too small.
        """
        return np.asarray(self.bounds_of(effect, chance, self.size[None])[:, 0])

    def bounds_of(self, effect: FloatArray, chance: float, sizes: FloatArray) -> FloatArray:
        """Return the bounds (f, d, n) as they would be with d other estimates ``sizes`` (d, h)."""
        spread = student_critical(chance, self.freedom) * self.sds(effect)
        return np.asarray(self.displaced(effect, sizes) + spread[:, None])

    def displaced(self, effect: FloatArray, sizes: FloatArray) -> FloatArray:
        """Return how far mistakes of d sets of ``sizes`` (d, h) move f places (f, d, n), in m."""
        result = np.zeros((len(effect), len(sizes), len(self)))
        for _, own, columns in self.by_degrees():
            along = np.einsum("fknq,dnq->fkdn", effect[:, :, columns], sizes[:, columns])
            result[:, :, own] = np.linalg.norm(along, axis=1)
        return result

    def sds(self, effect: FloatArray) -> FloatArray:
        """Return how well that is known (f, n) along the worst direction, in m, 1 sd.

        Infinite where a mistake moves a place along a direction that does not show.
        """
        result = np.zeros((len(effect), len(self)))
        for degrees, own, columns in self.by_degrees():
            part = effect[:, :, columns]
            spread = self.spread[own, :degrees, :degrees]
            covariance = np.einsum("fknq,nqr,flnr->fnkl", part, spread, part)
            sd = np.sqrt(np.maximum(np.linalg.eigvalsh(covariance)[..., -1], 0.0))
            result[:, own] = np.where(self._opens(part, own, degrees), np.inf, sd)
        return result

    def by_degrees(self) -> Iterator[tuple[int, IntArray, IntArray]]:
        """Give each number of sizes q with its mistakes (n,) and their columns (n, q)."""
        for degrees in np.unique(self.degrees).tolist():
            own = np.flatnonzero(self.degrees == degrees)
            yield degrees, own, self.first[own][:, None] + np.arange(degrees)

    def _opens(self, part: FloatArray, own: IntArray, degrees: int) -> BoolArray:
        """Say which mistakes (f, n) move a place along a direction that does not show."""
        along = np.einsum("fknq,nqr->fknr", part, self.hidden[own, :degrees, :degrees])
        moves = (np.linalg.norm(along, axis=1) > MOVES).any(axis=2)
        return np.asarray(moves & ~self.given[own])


def pose_effect(change: FloatArray, away: FloatArray, *, height: bool) -> FloatArray:
    """Return what a ``change`` (4, h) of a setup's pose does to its shot at a place (k, h) in m.

    ``away`` (2,): from the instrument to the place, N and E. k is 2 in plan, 1 in ``height``.
    """
    if height:
        return change[2:3]
    return np.asarray(change[:2] + np.array([-away[1], away[0]])[:, None] * change[3])


def after_moving(guards: Guards, effect: FloatArray, setup: int, away: FloatArray) -> FloatArray:
    """Return ``effect`` (k, h) on shots that a setup takes after its instrument has moved.

    They want the pose that the instrument has then, so what it moved by comes off.
    """
    result = effect.copy()
    for number in np.flatnonzero(guards.moved == setup).tolist():
        q, start = int(guards.degrees[number]), int(guards.first[number])
        moved = guards.pose[number][:, :q]
        result[:, start : start + q] -= pose_effect(moved, away, height=len(effect) == 1)
    return result
