"""Does a bay tie: how well a setup is known where it is used, and what could be wrong with it.

A setup is used at its joints, in the middle of the marks that both setups see, and at its
farthest side shot. There it must be known within the limit (b), and no single reading, height,
mark, knock or control value, were it wrong, may have moved it further than the limit (c), judged
after the readings: `tieup.adjust.guards`. A single tie difference is one noisy shot and proves
neither.

References: Baarda (1968), external reliability; Schuirmann (1987), equivalence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import student_critical
from tieup.adjust.guards import Guards, after_moving, pose_effect
from tieup.adjust.local_guards import pose_bounds
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.ties.bay_places import HEIGHT, PLAN, Use, known_at, uses_of

AT_ONCE = 200_000  # bounds: what is worked on stays in the processor's cache
PASSES = 0.10  # chance that a mistake beyond the limit passes its own bound


@dataclass(frozen=True)
class Shooting:
    """When side shots were taken: ``first`` and ``last`` (S,) by setup, ``order`` (m,) of rows.

    ``shot`` (P,): the order of a point's own shot, NaN where it is no side shot.
    """

    first: FloatArray
    last: FloatArray
    order: FloatArray
    shot: FloatArray


@dataclass(frozen=True)
class PlaceStanding:
    """How a place stands: ``known`` (2,) plan and height at 95 %, ``bound`` (2,) in m.

    ``worst`` (2,): the mistake with the largest bound, by its number among the guards, -1 for none.
    """

    use: Use
    known: FloatArray
    bound: FloatArray
    worst: IntArray

    def within(self, limits: FloatArray) -> bool:
        """Say whether the place is known and guarded within ``limits`` (2,)."""
        return bool((self.known <= limits).all() and (self.bound <= limits).all())


def standings(
    adjustment: Adjustment,
    guards: Guards | None,
    uses: Sequence[Use],
    known: FloatArray,
    shooting: Shooting,
) -> list[PlaceStanding]:
    """Return how places stand that are ``known`` (u, 2) so well."""
    if guards is None or not len(guards):
        return [
            PlaceStanding(use, own, np.zeros(2), np.full(2, -1))
            for use, own in zip(uses, known, strict=True)
        ]
    bounds = bounds_at(adjustment, guards, uses, shooting, guards.size[None])[:, 0]
    return [
        PlaceStanding(use, own, bound.max(axis=1), np.argmax(bound, axis=1))
        for use, own, bound in zip(uses, known, bounds, strict=True)
    ]


def bounds_at(
    adjustment: Adjustment,
    guards: Guards,
    uses: Sequence[Use],
    shooting: Shooting,
    sizes: FloatArray,
) -> FloatArray:
    """Return how far each mistake could have moved each place (u, d, 2, n), plan and height in m.

    ``sizes`` (d, h) are d estimates of what the mistakes are.
    """
    result = np.zeros((len(uses), len(sizes), 2, len(guards)))
    step = max(AT_ONCE // max(len(sizes) * len(guards), 1), 1)
    for first in range(0, len(uses), step):
        own = uses[first : first + step]
        both = zip(*(ways_of(adjustment, guards, use, shooting) for use in own), strict=True)
        for component, ways in enumerate(both):
            ends = np.cumsum([len(way.effect) for way in ways])[:-1]
            effect = np.concatenate([way.effect for way in ways])
            bounds = np.split(guards.bounds_of(effect, PASSES, sizes), ends)
            for number, (way, bound) in enumerate(zip(ways, bounds, strict=True)):
                result[first + number, :, component] = way.largest(bound)
    return result


@dataclass(frozen=True)
class Ways:
    """What mistakes do to a place: ``effect`` (w, k, h) for w ways in which its shots may lie.

    The first way has every shot before any movement of the instrument; ``never`` (n,) are the
    movements before which there is none.
    """

    effect: FloatArray
    never: BoolArray

    def largest(self, sizes: FloatArray) -> FloatArray:
        """Return the largest over the ways of ``sizes`` (w, ..., n), shape (..., n)."""
        first = np.where(self.never, 0.0, sizes[0])
        return np.asarray(np.maximum(first, sizes[1:].max(axis=0, initial=0.0)))


def ways_of(
    adjustment: Adjustment, guards: Guards, use: Use, shooting: Shooting
) -> tuple[Ways, Ways]:
    """Return what mistakes do to a place in plan and in height."""
    away = [use.place - adjustment.axis[setup, :2] for setup in use.setups]
    never = _only_after(guards, use, shooting)
    found = []
    for height in (PLAN, HEIGHT):
        effects = [
            sign * pose_effect(guards.setup[setup], arm, height=height)
            for setup, arm, sign in zip(use.setups, away, (1.0, -1.0), strict=False)
        ]
        ways = [np.sum(effects, axis=0), *_after(guards, use, effects, away, shooting)]
        found.append(Ways(np.array(ways), never))
    return found[0], found[1]


def _after(
    guards: Guards,
    use: Use,
    effects: list[FloatArray],
    away: list[FloatArray],
    shooting: Shooting,
) -> list[FloatArray]:
    """Return the effects where shots of one setup come after its instrument may have moved."""
    ways = []
    for number, setup in enumerate(use.setups):
        if not (guards.moved == setup).any():
            continue
        sign = 1.0 if number == 0 else -1.0
        moved = sign * after_moving(guards, sign * effects[number], setup, away[number])
        taken = _taken_after(guards, use, setup, shooting)
        columns = np.repeat(taken, guards.degrees)
        way = sum(effects) - effects[number] + np.where(columns, moved, effects[number])
        ways.append(np.asarray(way))
    return ways


def _taken_after(guards: Guards, use: Use, setup: int, shooting: Shooting) -> BoolArray:
    """Say for which mistakes (n,) the place is shot after the instrument of a setup has moved."""
    of_setup = guards.moved == setup
    cut = shooting.order[np.maximum(guards.row, 0)]
    last = shooting.shot[use.point] if use.point >= 0 else shooting.last[setup]
    with np.errstate(invalid="ignore"):
        return np.asarray(of_setup & (cut <= last))


def _only_after(guards: Guards, use: Use, shooting: Shooting) -> BoolArray:
    """Say for which mistakes (n,) every shot of the place comes after the movement."""
    if not len(guards):
        return np.zeros(0, dtype=bool)
    cut = shooting.order[np.maximum(guards.row, 0)]
    result = np.zeros(len(guards), dtype=bool)
    for setup in use.setups:
        first = shooting.shot[use.point] if use.point >= 0 else shooting.first[setup]
        with np.errstate(invalid="ignore"):
            result |= (guards.moved == setup) & (cut <= first)
    return result


@dataclass(frozen=True)
class Bays:
    """How every setup (S,) stands at its farthest shot, None where it has no place, and joints."""

    setups: tuple[PlaceStanding | None, ...]
    joints: dict[tuple[int, int], PlaceStanding]


def stand_bays(
    adjustment: Adjustment,
    guards: Guards | None,
    freedom: FloatArray,
    joints: IntArray,
    shooting: Shooting,
) -> Bays:
    """Return how setups and ``joints`` (q, 2) stand.

    ``adjustment`` is weighed by the larger of stated and estimated scatter, ``freedom`` (S, 2)
    says how well the variances of each setup's place are known.
    """
    uses, places = uses_of(adjustment, joints)
    every = [*(use for use in uses if use is not None), *places.values()]
    own = np.array([freedom[list(use.setups)].min(axis=0) for use in every]).reshape(-1, 2)
    known = known_at(adjustment, every, own)
    stood = iter(standings(adjustment, guards, every, known, shooting))
    setups = tuple(None if use is None else next(stood) for use in uses)
    found = dict(zip(places, stood, strict=True))
    if guards is None:
        return _with_local_bounds(adjustment, Bays(setups, found), freedom)
    return Bays(setups, found)


def _with_local_bounds(adjustment: Adjustment, bays: Bays, freedom: FloatArray) -> Bays:
    """Return the bays of a large site, each setup guarded against its own sights."""
    quantile = float(student_critical(PASSES, float(freedom.min(initial=np.inf))))
    setups, joints = local_bounds(adjustment, bays, quantile)
    return Bays(
        tuple(
            None if one is None else replace(one, bound=setups[number])
            for number, one in enumerate(bays.setups)
        ),
        {pair: replace(one, bound=joints[pair]) for pair, one in bays.joints.items()},
    )


def local_bounds(
    adjustment: Adjustment, bays: Bays, quantile: float
) -> tuple[FloatArray, dict[tuple[int, int], FloatArray]]:
    """Return what a mistake in a setup's own sights could do at its place (S, 2), and at joints.

    ``quantile``: how many sds of a mistake's size lie beyond its estimate.
    """

    uses = [one.use for one in (*bays.setups, *bays.joints.values()) if one is not None]
    setup = np.array([setup for use in uses for setup in use.setups], dtype=np.int64)
    place = np.array([use.place for use in uses for _ in use.setups]).reshape(-1, 2)
    away = place - adjustment.axis[setup, :2]
    bound = pose_bounds(adjustment, setup, away, quantile)
    alone = sum(one is not None for one in bays.setups)
    setups = np.zeros((len(bays.setups), 2))
    setups[setup[:alone]] = bound[:alone]
    both = bound[alone:].reshape(-1, 2, 2).max(axis=1)
    return setups, dict(zip(bays.joints, both, strict=True))


def shooting_of(
    setup: IntArray, point: IntArray, order: FloatArray, aside: IntArray, setups: int, points: int
) -> Shooting:
    """Return when side shots were taken; ``setup``, ``point`` (m,) of raw rows, -1 if unused.

    ``order`` (m,) grows in shooting order; ``aside`` are the points that nothing checks.
    """
    first, last = np.full(setups, np.inf), np.full(setups, -np.inf)
    shot = np.full(points, np.nan)
    rows = np.flatnonzero((point >= 0) & np.isin(point, aside))
    np.minimum.at(first, setup[rows], order[rows])
    np.maximum.at(last, setup[rows], order[rows])
    shot[point[rows]] = order[rows]
    return Shooting(first, last, order, shot)
