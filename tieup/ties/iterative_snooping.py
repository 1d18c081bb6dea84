"""Let wrong ties go one by one, so that one bad shot does not make its neighbours look bad.

A mistake of 60 mm in one sight, left in the solution, pulls the setup and the mark, and a
dozen clean ties around it differ by more than chance. So the clearest tie far beyond chance
is set free (its sight may shift as it likes), the others are judged again without it, and so
on until no gross one is left. With C the shifts set free and everything whitened:

    left' = left - X N^-1 X',   push' = push - X N^-1 (C' push),   N = C'RC,   X = B'RC

A tie that no longer shows when another is let go keeps what it showed before: at a mark that
two setups have shot, either may be the wrong one.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.estimable import Information, freed
from tieup.adjust.hypothesis import cross_information, place_shift
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.ties.multiple_testing import holm
from tieup.ties.shifts import Shifts, solve_shifts

MOST = 20  # ties let go; with more the site is past judging tie by tie
LEVEL = 1e-6  # chance that a clean job has a tie let go: some 6 sds, what smears on others


def judged_apart(
    adjustment: Adjustment, tie: IntArray, info: Information, shown: Information
) -> Shifts:
    """Return the shifts of all ties as ``shown``, each without the wrong ones among the others.

    ``tie`` (c,) numbers the tie of each connection of the solution, -1 for none. ``info`` is what
    those connections say, ``shown`` that and what was left out of the solution: this pulls at
    nothing, and does not count among what is wrong.
    """
    shifts, told = solve_shifts(info), solve_shifts(shown)
    settled = np.zeros(len(info.push), dtype=np.bool_)
    free: list[int] = []
    cross = np.zeros((len(info.push), 3, 0))
    while len(free) < MOST:
        clearest = _clearest(shifts, settled)
        if clearest < 0:
            break
        settled[clearest] = True
        own = np.flatnonzero(tie == clearest)
        if not len(own):
            continue
        free.append(clearest)
        cross = np.concatenate([cross, _cross(adjustment, tie, own, len(settled))], axis=2)
        apart = solve_shifts(_without(info, free, cross))
        settled |= apart.lost(shifts)
        shifts = apart.where_lost(shifts)
        told = solve_shifts(_without(shown, free, cross)).where_lost(told)
    return told


def _clearest(shifts: Shifts, settled: BoolArray) -> int:
    """Return the clearest unsettled tie far beyond chance, -1 for none."""
    chance = shifts.chances()
    beyond = holm(chance.ravel(), LEVEL).reshape(chance.shape).any(axis=0) & ~settled
    if not beyond.any():
        return -1
    return int(np.argmax(np.where(beyond, shifts.clearness(), -np.inf)))


def _cross(adjustment: Adjustment, tie: IntArray, own: IntArray, count: int) -> FloatArray:
    """Return B'RC (t, 3, 3) of every tie with the shift C of the connections ``own``."""
    rows = np.flatnonzero(tie >= 0)
    shift, place = place_shift(adjustment, own), adjustment.rows.by_place[rows]
    products = cross_information(adjustment, shift, rows, place)
    cross = np.zeros((count, 3, 3))
    np.add.at(cross, tie[rows], products)
    return cross


def _without(info: Information, free: list[int], cross: FloatArray) -> Information:
    """Return the information of every tie with those of ``free`` set free, but for itself."""
    left, push = freed(info, np.arange(len(info.push)), free, cross)
    for place, i in enumerate(free):
        others = free[:place] + free[place + 1 :]
        columns = np.delete(np.arange(cross.shape[2]), slice(3 * place, 3 * place + 3))
        own = freed(info, np.array([i]), others, cross[:, :, columns])
        left[i], push[i] = own[0][0], own[1][0]
    return Information(info.seen, left, push)
