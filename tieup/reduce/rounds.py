"""What two faces and rounds say about each other: the surveyor's check of the book.

Terms as in ISO 17123-3: a pair is one pointing in each face, a set what one round says of a
target, its residual the mean of all sets less the set. Formulas of the standard from memory.

Limits for sets come from the job; a set beyond them is rejected only where two others are
left to agree on the mean: of two sets that differ, nothing tells which is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Pointings, Sights
from tieup.model.settings import SetLimits
from tieup.reduce import faces
from tieup.reduce.circle import CircleTurn
from tieup.reduce.faces import AxisError
from tieup.reduce.sights import Reduction

FEWEST = 3  # sets, of which one can be rejected


@dataclass(frozen=True)
class Pairs:
    """Face pairs, shape (n,), in the order of the sights and rounds.

    ``direct`` and ``reverse`` are raw rows. ``two_c`` and ``two_i`` in rad, ``distance`` the
    reverse distance less the direct one (m), ``away`` the slope distance to the target (m); NaN
    where a reading is missing.
    """

    setup: IntArray
    point: IntArray
    round: IntArray
    direct: IntArray
    reverse: IntArray
    two_c: FloatArray
    two_i: FloatArray
    distance: FloatArray
    away: FloatArray


@dataclass(frozen=True)
class SetupPairs:
    """The pairs of each setup, shape (S,): how many have 2c and 2i, their mean and spread.

    Columns of (S, 2): 2c, 2i in rad. ``spread`` is the largest less the smallest, NaN with
    fewer than two.
    """

    count: IntArray
    mean: FloatArray
    spread: FloatArray


@dataclass(frozen=True)
class Sets:
    """Sets of targets that were pointed in more than one round, shape (q,).

    ``residual`` (q, 3), rad, rad, m: mean of all sets less this set, of what was not rejected.
    ``pointings`` (q, 3) in it, ``rejected`` (q, 3). ``limit`` (q, 3): infinite without one.
    """

    setup: IntArray
    point: IntArray
    round: IntArray
    residual: FloatArray
    pointings: IntArray
    limit: FloatArray
    rejected: BoolArray


@dataclass(frozen=True)
class RoundReport:
    """Everything two faces and rounds say.

    ``set_sd`` (S, 3): sd of one set, rad, rad, m, NaN where there is one round only;
    ``rejected_rows`` (m, 3): components of raw rows in rejected sets.
    """

    pairs: Pairs
    of_setups: SetupPairs
    sets: Sets
    set_sd: FloatArray
    rejected_rows: BoolArray
    axis_errors: tuple[AxisError, ...]
    turns: tuple[CircleTurn, ...]


def report_rounds(
    shots: Shots, reduction: Reduction, setups: int, limits: SetLimits | None
) -> RoundReport:
    """Report on the faces and rounds of a reduced field book of ``setups`` setups.

    Rounds are compared within sights: the targets must be reduced as standing.
    """
    pairs = find_pairs(shots, reduction.pointings, reduction.sights)
    sets, group = find_sets(shots, reduction, limits)
    rejected = np.zeros((len(shots), 3), dtype=np.bool_)
    inside = group >= 0
    rejected[inside] = sets.rejected[group[inside]]
    return RoundReport(
        pairs=pairs,
        of_setups=pairs_of_setups(pairs, setups),
        sets=sets,
        set_sd=set_sds(sets, setups),
        rejected_rows=rejected & np.isfinite(reduction.pointings.corrected),
        axis_errors=reduction.axis_errors,
        turns=reduction.turns,
    )


def find_pairs(shots: Shots, pointings: Pointings, sights: Sights) -> Pairs:
    """Pair the pointings of each look and round, whatever was pointed in between.

    2 c = (reverse - direct - 180 deg) sin z        2 i = z_direct + z_reverse - 360 deg

    A pointing goes with the nearest one of the other face that is not nearer to another, as an
    opening bracket does with its closing one. Readings that were left out take no part.
    """
    direct, reverse = _brackets(shots, pointings)
    value = np.column_stack([shots.direction, shots.zenith, shots.distance])
    value[~np.isfinite(pointings.corrected)] = np.nan
    one, two = value[direct], value[reverse]
    zenith = 0.5 * (one[:, ZENITH] + 2.0 * np.pi - two[:, ZENITH])
    steep = np.sin(np.where(np.isnan(zenith), 0.5 * np.pi, zenith))
    turned = wrap_half(two[:, DIRECTION] - one[:, DIRECTION] - np.pi)
    sight = pointings.sight[direct]
    return Pairs(
        setup=sights.setup[sight],
        point=sights.point[sight],
        round=shots.round[direct],
        direct=direct,
        reverse=reverse,
        two_c=np.asarray(turned * steep),
        two_i=one[:, ZENITH] + two[:, ZENITH] - 2.0 * np.pi,
        distance=two[:, DISTANCE] - one[:, DISTANCE],
        away=sights.value[sight, DISTANCE],
    )


def _brackets(shots: Shots, pointings: Pointings) -> tuple[IntArray, IntArray]:
    """Return the rows of face 1 and of face 2 (n,) that go together.

    Count face 1 up and face 2 down: steps over one height of the count alternate, and each
    two of them that follow one another are a pair.
    """
    rows = np.flatnonzero(pointings.sight >= 0)
    rows = rows[np.lexsort((rows, shots.round[rows], pointings.look[rows]))]
    face, _ = faces.resolve_face(shots.face[rows], shots.zenith[rows])
    new = np.ones(len(rows), dtype=bool)
    new[1:] = np.diff(pointings.look[rows]) != 0
    new[1:] |= np.diff(shots.round[rows]) != 0
    step = np.where(face == 1, 1, -1)
    count = np.cumsum(step)
    group = np.cumsum(new) - 1
    count -= (count - step)[np.flatnonzero(new)][group]
    height = np.minimum(count, count - step)
    order = np.lexsort((height, group))  # stable: as recorded within one height
    key = np.column_stack([group, height])[order]
    first = np.flatnonzero(_place_in_group(key)[1:] % 2 == 1)  # the one after it is its other
    ends = np.column_stack([order[first], order[first + 1]])
    ends = ends[np.argsort(ends[:, 0])]
    swapped = face[ends[:, 0]] == 2
    ends[swapped] = ends[swapped, ::-1]
    return rows[ends[:, 0]], rows[ends[:, 1]]


def _place_in_group(key: IntArray) -> IntArray:
    """Return the place of each row among the rows of equal key; rows are sorted by it."""
    new = np.ones(len(key), dtype=bool)
    new[1:] = (key[1:] != key[:-1]).any(axis=1)
    start = np.maximum.accumulate(np.where(new, np.arange(len(key)), 0))
    return np.arange(len(key)) - start


def count_pairs(pairs: Pairs, setup: IntArray, point: IntArray) -> IntArray:
    """Return how many pairs with a 2c each setup (n,) has at each point (n,)."""
    known = np.isfinite(pairs.two_c)
    span = max(int(pairs.point.max(initial=0)), int(point.max(initial=0))) + 1
    own = np.sort(pairs.setup[known] * span + pairs.point[known])
    asked = setup * span + point
    return np.searchsorted(own, asked, side="right") - np.searchsorted(own, asked)


def pairs_of_setups(pairs: Pairs, setups: int) -> SetupPairs:
    """Return count, mean and spread of 2c and 2i of each setup."""
    values = np.column_stack([pairs.two_c, pairs.two_i])
    count = np.zeros((setups, 2), dtype=np.int64)
    mean, spread = np.full((setups, 2), np.nan), np.full((setups, 2), np.nan)
    for column in range(2):
        known = np.isfinite(values[:, column])
        setup, value = pairs.setup[known], values[known, column]
        count[:, column] = np.bincount(setup, minlength=setups)
        some = count[:, column] > 0
        total = np.bincount(setup, weights=value, minlength=setups)
        mean[some, column] = total[some] / count[some, column]
        high, low = np.full(setups, -np.inf), np.full(setups, np.inf)
        np.maximum.at(high, setup, value)
        np.minimum.at(low, setup, value)
        several = count[:, column] > 1
        spread[several, column] = (high - low)[several]
    return SetupPairs(count, mean, spread)


def find_sets(
    shots: Shots, reduction: Reduction, limits: SetLimits | None
) -> tuple[Sets, IntArray]:
    """Return the sets, and the set (m,) that each raw row is in, -1 for none."""
    pointings, sights = reduction.pointings, reduction.sights
    rows = np.flatnonzero(pointings.sight >= 0)
    key = np.column_stack([pointings.sight[rows], shots.round[rows]])
    found, inverse = np.unique(key, axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    several = np.bincount(found[:, 0], minlength=len(sights))[found[:, 0]] > 1
    number = np.where(several, np.cumsum(several) - 1, -1)
    group = np.full(len(shots), -1, dtype=np.int64)
    group[rows] = number[inverse]
    found = found[several]
    sight = found[:, 0]
    away, count = _set_means(pointings.deviation, group, len(found))
    limit = _limits(limits, sights.value[sight, DISTANCE])
    rejected, residual = _reject(sight, away, count, limit)
    sets = Sets(
        sights.setup[sight], sights.point[sight], found[:, 1], residual, count, limit, rejected
    )
    return sets, group


def _set_means(deviation: FloatArray, group: IntArray, sets: int) -> tuple[FloatArray, IntArray]:
    """Return mean deviation and number of pointings of each set, (q, 3)."""
    away, count = np.full((sets, 3), np.nan), np.zeros((sets, 3), dtype=np.int64)
    for kind in range(3):
        rows = np.flatnonzero((group >= 0) & np.isfinite(deviation[:, kind]))
        count[:, kind] = np.bincount(group[rows], minlength=sets)
        some = count[:, kind] > 0
        total = np.bincount(group[rows], weights=deviation[rows, kind], minlength=sets)
        away[some, kind] = total[some] / count[some, kind]
    return away, count


def _limits(limits: SetLimits | None, distance: FloatArray) -> FloatArray:
    """Return the limits (q, 3) at the targets' distances (q,) in m, infinite without any."""
    if limits is None:
        return np.full((len(distance), 3), np.inf)
    offset = limits.offset / np.where(distance > 0.0, distance, np.inf)
    return np.column_stack(
        [
            np.maximum(limits.direction, offset),
            np.maximum(limits.zenith, offset),
            np.full(len(distance), limits.distance),
        ]
    )


def _reject(
    sight: IntArray, away: FloatArray, count: IntArray, limit: FloatArray
) -> tuple[BoolArray, FloatArray]:
    """Reject the worst set of each target beyond its limit, again and again; return residuals."""
    rejected = np.zeros(away.shape, dtype=np.bool_)
    residual = away.copy()
    groups = np.unique(sight, return_inverse=True)[1]
    number = int(groups.max(initial=-1)) + 1
    while True:
        counting = np.isfinite(away) & ~rejected
        for kind in range(3):
            weight = np.where(counting[:, kind], count[:, kind], 0)
            total = np.bincount(
                groups, weights=weight * np.nan_to_num(away[:, kind]), minlength=number
            )
            weight_sum = np.bincount(groups, weights=weight, minlength=number)
            residual[:, kind] = away[:, kind] - (total / np.maximum(weight_sum, 1))[groups]
        beyond = counting & (np.abs(residual) > limit)
        left = np.column_stack(
            [np.bincount(groups, weights=c, minlength=number) for c in counting.T]
        )
        beyond &= left[groups] >= FEWEST
        if not beyond.any():
            return rejected, residual
        for kind in range(3):
            size = np.where(beyond[:, kind], np.abs(residual[:, kind]), -1.0)
            order = np.lexsort((-size, groups))
            worst = order[np.flatnonzero(np.diff(groups[order], prepend=-1))]
            rejected[worst[size[worst] > 0.0], kind] = True


def set_sds(sets: Sets, setups: int) -> FloatArray:
    """Return the sd of one set by setup (S, 3).

    With m sets of t targets: s^2 = sum r^2 / ((m - 1)(t - 1)) of directions, whose sets have a
    zero of their own; sum r^2 / ((m - 1) t) of the others. Counted target by target where not
    every set has all of them.
    """
    sd = np.full((setups, 3), np.nan)
    for setup in np.unique(sets.setup).tolist():
        own = np.flatnonzero(sets.setup == setup)
        for kind in (DIRECTION, ZENITH, DISTANCE):
            rows = own[np.isfinite(sets.residual[own, kind]) & ~sets.rejected[own, kind]]
            residual = sets.residual[rows, kind]
            targets, rounds = np.unique(sets.point[rows]), np.unique(sets.round[rows])
            freedom = len(rows) - len(targets)
            if kind == DIRECTION:
                number = np.searchsorted(rounds, sets.round[rows])
                mean = np.bincount(number, weights=residual) / np.bincount(number)
                residual = residual - mean[number]
                freedom -= len(rounds) - 1
            if freedom > 0:
                sd[setup, kind] = np.sqrt(np.sum(residual**2) / freedom)
    return sd
