"""Which mark did a sight really see? Names for wrong targets, swaps and turned faces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.predict import sighted_place
from tieup.diagnose.solve import Solved
from tieup.model.arrays import IntArray

SAME_PLACE = 0.15  # m; a sight this close to another mark is a sight of that mark
HALF_TURN = np.radians(0.1)  # rad; a direction this close to 180 deg off is the other face
ALL = (0, 1, 2)


def finished(solved: Solved, number: int, rows: IntArray, mistake: Mistake) -> Mistake:
    """Give a wrong target its name, and a direction half a circle off its face."""
    if mistake.kind == "point-name":
        named = _wrong_target(solved, number, rows)
        return replace(named, rivals=() if named.instead else mistake.rivals)
    if mistake.kind == "direction" and abs(abs(mistake.size[0]) - np.pi) < HALF_TURN:
        return replace(mistake, kind="face", rows=rows)
    return replace(mistake, rows=rows)


def _wrong_target(solved: Solved, number: int, rows: IntArray) -> Mistake:
    """Name the mark that a sight really saw, where one lies there."""
    sights, case = solved.network.sights, solved.case
    label = case.setups[sights.setup[number]].label
    name = case.points[sights.point[number]]
    kind = "backsight" if "backsight" in set(case.shots.role[rows]) else "point-name"
    return Mistake(kind, label, (name,), rows, ALL, "m", instead=seen_instead(solved, number))


def seen_instead(solved: Solved, number: int) -> tuple[str, ...]:
    """Return the name of the point at which a sight arrived, nothing where there is none."""
    sights = solved.network.sights
    place = sighted_place(sights, solved.adjustment, solved.case.refraction)[number]
    position = solved.adjustment.position
    away = np.where(np.isfinite(position[:, :2]), position[:, :2] - place[:2], np.inf)
    distance = np.hypot(away[:, 0], away[:, 1])
    distance[sights.point[number]] = np.inf
    if not len(distance) or not np.isfinite(distance).any():
        return ()
    nearest = int(np.argmin(distance))
    return (solved.case.points[nearest],) if distance[nearest] < SAME_PLACE else ()


def swapped_pairs(solved: Solved, numbers: IntArray) -> list[Mistake]:
    """Return the pairs of gross sights of a setup that each arrived at the other's mark."""
    sights, case = solved.network.sights, solved.case
    names = {int(n): seen_instead(solved, int(n)) for n in numbers}
    own = {n: case.points[sights.point[n]] for n in names}
    found: list[Mistake] = []
    used: set[int] = set()
    for first in names:
        for second in names:
            if second <= first or {first, second} & used:
                continue
            same = sights.setup[first] == sights.setup[second]
            if same and names[first] == (own[second],) and names[second] == (own[first],):
                used |= {first, second}
                rows = np.flatnonzero(np.isin(solved.reduction.pointings.sight, [first, second]))
                label = case.setups[sights.setup[first]].label
                pair = tuple(sorted((own[first], own[second])))
                swap = Mistake("swapped-names", label, pair, rows, ALL, "m")
                found.append(with_equal_setups(solved, swap))
    return found


def with_equal_setups(solved: Solved, swap: Mistake) -> Mistake:
    """Name the setup that may as well have swapped the names: the only other one to see either.

    Where a third setup or control says which mark is which, nothing is added.
    """
    network, case = solved.network, solved.case
    pair = [case.points.index(name) for name in swap.points]
    known = np.isfinite(network.control[pair, :2]).all(axis=1) | np.isin(pair, network.station)
    sights = network.sights
    setups = [set(sights.setup[sights.point == point].tolist()) for point in pair]
    if known.any() or setups[0] != setups[1] or len(setups[0]) != 2:
        return swap
    labels = sorted(case.setups[n].label for n in setups[0])
    (other,) = (label for label in labels if label != swap.setup)
    rival = RivalCause("swapped-names", other, swap.points, np.nan, separable=False)
    return replace(swap, rivals=(*swap.rivals, rival))
