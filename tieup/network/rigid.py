"""Fit one plan cloud onto another: closed form, and by consensus against false marks.

Plan positions are complex numbers, northing + i easting. A clockwise turn by the
azimuth ``a`` is then the product with ``exp(i a)``, and a rigid move of the plane is
``turn * z + shift`` with ``|turn| = 1``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.model.arrays import BoolArray, FloatArray, IntArray

ComplexArray = NDArray[Any]  # dtype complex128

MOST_HYPOTHESES = 300  # minimal pairs tried; far more than 30 % gross errors call for
MOST_MARKS = 1500  # a million pairs of marks: tens of milliseconds
MOST_RIVALS = 300  # rows of marks with rival places that hypotheses are drawn from
SHORTEST_BASE = 0.5  # metres; two marks closer than this give no turn
CLEAR_COUNT, CLEAR_SHARE = 5, 0.7  # consenting marks, and their share of those on offer
MOST_REFITS = 5
OUTVOTED = 5  # marks on offer of which two that agree are no evidence
EXTENT = 3.0  # times the root mean square distance from the middle: where marks may lie
GEAR_FLOOR = 0.005  # metres; agreement better than this proves nothing more


@dataclass(frozen=True)
class CloudFit:
    """A move ``turn * z + shift`` of one cloud onto another and what stands behind it.

    ``redundancy``: consenting observations beyond those the move itself needs; two marks
    agree with 1, three with 3. ``strain`` ranks fits of one redundancy, smaller is better:
    the uncertainty of the turn (rad), or of the shift (m) in heights. ``chance`` is the
    number of fits this good that accident alone would offer. ``clear``: so well supported
    that no rival needs to be weighed.
    """

    turn: complex
    shift: complex
    redundancy: int
    strain: float
    chance: float = 0.0
    clear: bool = False


def fit_rigid(
    here: ComplexArray, there: ComplexArray, weight: FloatArray
) -> tuple[complex, complex]:
    """Return turn and shift of the weighted least-squares fit ``here = turn * there + shift``.

    Closed form: with both clouds reduced to their weighted means, the turn is the
    direction of ``sum(w * here * conj(there))``.

    References
    ----------
    Orthogonal Procrustes problem in the plane without scale.
    """
    total = weight.sum()
    mean_here = (weight * here).sum() / total
    mean_there = (weight * there).sum() / total
    product = complex((weight * (here - mean_here) * np.conj(there - mean_there)).sum())
    turn = product / abs(product) if abs(product) > 0.0 else 1.0 + 0.0j
    return turn, complex(mean_here - turn * mean_there)


def consensus(
    mark: IntArray,
    here: ComplexArray,
    there: ComplexArray,
    tolerance: FloatArray,
    support: FloatArray | None = None,
) -> CloudFit | None:
    """Fit ``there`` onto ``here`` by the marks that agree best.

    Every pair of marks whose distance agrees in both clouds is a hypothesis; the one
    with the smallest truncated sum of squares wins and is refitted by least squares on
    the marks that consent. None when no two marks agree.

    Parameters
    ----------
    mark, here, there, tolerance
        Shape (n,): number of the mark, its place in both clouds (m, complex), and the
        misfit that good work stays within (m). A mark may stand in several rows when a
        cloud holds rival places for it.
    support
        Shape (n,): how many setups stand behind each row, 1 by default.
    """
    if len(mark) < 2:
        return None
    single = len(set(mark.tolist())) == len(mark)
    keep = _telling(mark, here)
    turn, shift = _hypotheses(mark[keep], here[keep], there[keep], tolerance[keep])
    if not len(turn):
        return None
    weight = np.ones(len(mark)) if support is None else support
    misfit = np.abs(here - (turn[:, None] * there + shift[:, None])) / tolerance
    gain = weight * np.maximum(1.0 - misfit**2, 0.0)
    behind = weight * (misfit <= 1.0)
    if not single:
        gain, behind = per_mark(gain, mark), per_mark(behind, mark)
    best = int(np.argmax(gain.sum(axis=1)))
    fit = _refit(mark, here, there, tolerance, complex(turn[best]), complex(shift[best]), single)
    if fit is not None and not fit.clear and _has_rival(behind, best):
        return replace(fit, chance=math.inf)
    return fit


def _has_rival(behind: FloatArray, best: int) -> bool:
    """Tell whether as much stands behind something else, as after a swap of two names.

    ``behind`` (h, marks) is what stands behind each consenting mark of each hypothesis.
    """
    strength = behind.sum(axis=1)
    common = np.count_nonzero((behind > 0.0) & (behind[best] > 0.0), axis=1)
    return bool(((strength >= strength[best]) & (common <= 1)).any())


def _refit(
    mark: IntArray,
    here: ComplexArray,
    there: ComplexArray,
    tolerance: FloatArray,
    turn: complex,
    shift: complex,
    single: bool,
) -> CloudFit | None:
    """Refit on the consenting marks until they no longer change."""
    weight = 1.0 / tolerance**2
    misfit = np.abs(here - (turn * there + shift))
    inside = misfit <= tolerance
    for _ in range(MOST_REFITS):
        if np.count_nonzero(inside) < 2:
            return None
        turn, shift = fit_rigid(here[inside], there[inside], weight[inside])
        misfit = np.abs(here - (turn * there + shift))
        again = misfit <= tolerance
        if (again == inside).all():
            break
        inside = again
    if not single:
        inside = _nearest_rival(mark, misfit / tolerance, inside)
    count = int(np.count_nonzero(inside))
    spread = _spread(here[inside]) if count > 1 else 0.0
    if spread < SHORTEST_BASE / 2:
        return None
    offered = len(mark) if single else len(set(mark.tolist()))
    fineness = float(tolerance.max()) / (EXTENT * max(_spread(here), spread))
    missed = misfit[inside]
    noise = math.hypot(math.sqrt(float(missed @ missed) / count), GEAR_FLOOR)
    return CloudFit(
        turn,
        shift,
        2 * count - 3,
        noise / spread / math.sqrt(count),
        accident(offered, count, fineness, len(mark) / offered),
        count >= CLEAR_COUNT and count >= CLEAR_SHARE * offered,
    )


def _spread(places: ComplexArray) -> float:
    """Return the root mean square distance (m) from the middle."""
    count = len(places)
    middle = complex(places.sum()) / count
    square = float(np.vdot(places, places).real) / count - abs(middle) ** 2
    return math.sqrt(max(square, 0.0))


def accident(offered: int, count: int, fineness: float, rivals: float = 1.0) -> float:
    """Return how many fits of ``count`` among ``offered`` marks accident would offer.

    ``fineness`` is tolerance over site extent, ``rivals`` the mean number of places a mark has.
    Two marks agree by accident in their distance with probability ``2 sqrt(2) fineness``,
    each further one in its place with ``pi fineness**2``. With only two marks on offer
    there was no choice: 0. Two of five or more are no evidence at all: any two marks
    whose names are swapped agree like that.
    """
    if offered <= 2:
        return 0.0
    if count == 2 and offered >= OUTVOTED:
        return math.inf
    pairs = math.comb(offered, 2) * min(1.0, 2.0 * math.sqrt(2.0) * fineness * rivals**2)
    place = min(1.0, math.pi * fineness**2 * rivals)
    return float(pairs * math.comb(offered - 2, count - 2) * place ** (count - 2))


def _hypotheses(
    mark: IntArray, here: ComplexArray, there: ComplexArray, tolerance: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return turn and shift, shape (h,), of every pair of marks whose distance agrees."""
    first, second = np.triu_indices(len(mark), 1)
    base_here = here[second] - here[first]
    base_there = there[second] - there[first]
    length_here, length_there = np.abs(base_here), np.abs(base_there)
    agree = np.abs(length_here - length_there) <= np.hypot(tolerance[first], tolerance[second])
    agree &= np.minimum(length_here, length_there) >= SHORTEST_BASE
    agree &= mark[first] != mark[second]
    chosen = np.flatnonzero(agree)
    if len(chosen) > MOST_HYPOTHESES:
        chosen = chosen[np.argsort(length_here[chosen], kind="stable")]
        chosen = chosen[np.linspace(0, len(chosen) - 1, MOST_HYPOTHESES).astype(np.int64)]
    first, second = first[chosen], second[chosen]
    turn = base_here[chosen] / base_there[chosen]
    turn = turn / np.abs(turn)
    shift = 0.5 * (here[first] + here[second] - turn * (there[first] + there[second]))
    return turn, shift


def _telling(mark: IntArray, here: ComplexArray) -> IntArray:
    """Return the rows that hypotheses are drawn from.

    Marks with the fewest rival places come first: where a number was used again and again
    for different points, every setup has its own place for it. Beyond `MOST_MARKS` rows are
    taken evenly by their distance from the middle.
    """
    if len(mark) <= MOST_RIVALS:
        return np.arange(len(mark))
    _, number, rivals = np.unique(mark, return_inverse=True, return_counts=True)
    order = np.argsort(rivals[number], kind="stable")
    order = order[: max(MOST_RIVALS, int(np.count_nonzero(rivals == 1)))]
    if len(order) <= MOST_MARKS:
        return order
    middle = np.median(here.real) + 1j * np.median(here.imag)
    order = order[np.argsort(np.abs(here[order] - middle), kind="stable")]
    return order[np.linspace(0, len(order) - 1, MOST_MARKS).astype(np.int64)]


def per_mark(value: FloatArray, mark: IntArray) -> FloatArray:
    """Reduce the values (h, n) of rival places to the best one of each mark."""
    order = np.argsort(mark, kind="stable")
    starts = np.flatnonzero(np.diff(mark[order], prepend=mark[order[0]] - 1))
    reduced: FloatArray = np.maximum.reduceat(value[:, order], starts, axis=1)
    return reduced


def _nearest_rival(mark: IntArray, misfit: FloatArray, inside: BoolArray) -> BoolArray:
    """Keep one consenting row a mark, the one that fits best."""
    rows = np.flatnonzero(inside)
    order = rows[np.lexsort((misfit[rows], mark[rows]))]
    first = np.flatnonzero(np.diff(mark[order], prepend=mark[order[0]] - 1))
    kept = np.zeros(len(mark), dtype=np.bool_)
    kept[order[first]] = True
    return kept
