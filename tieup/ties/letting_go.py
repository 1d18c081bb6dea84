"""Let wrong ties go one by one, so that one bad shot does not make its neighbours look bad.

A mistake of 60 mm in one sight, left in the solution, pulls the setup and the mark, and a
dozen clean ties around it differ by more than chance. So the clearest tie beyond chance is
set free (its sight may shift as it likes), the others are judged again without it, and so on
until nothing is beyond chance. With C the shifts set free and everything whitened:

    left' = left - X N^-1 X',   push' = push - X N^-1 (C' push),   N = C'RC,   X = B'RC

A tie that no longer shows when another is let go keeps what it showed before: at a mark that
two setups have shot, either may be the wrong one.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.hypothesis import place_shift, project
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.ties.family import JOB_LEVEL, holm
from tieup.ties.shifts import TESTABLE, Information, Shifts, solve_shifts

MOST = 20  # ties let go; with more the site is past judging tie by tie


def judged_apart(
    adjustment: Adjustment, members: list[IntArray], info: Information
) -> Shifts:
    """Return the shifts of all ties, each without the wrong ones among the others.

    ``members`` are the connections of each tie (t,), none for a tie that was left out of the
    solution and so pulls at nothing.
    """
    shifts = solve_shifts(info)
    settled = np.zeros(len(members), dtype=bool)
    free: list[int] = []
    cross = np.zeros((len(members), 3, 0))
    while len(free) < MOST:
        clearest = _clearest(shifts, settled)
        if clearest < 0:
            break
        settled[clearest] = True
        if not len(members[clearest]):
            continue
        free.append(clearest)
        more = _cross(adjustment, members, clearest)
        cross = np.concatenate([cross, more], axis=2)
        found = solve_shifts(_without(info, free, cross)).where_lost(shifts)
        same = _same_mark(adjustment, members, clearest)
        settled |= same & (_share(found, shifts) == 0)
        shifts = found
    return shifts


def _clearest(shifts: Shifts, settled: np.ndarray) -> int:
    """Return the clearest unsettled tie beyond chance, -1 for none."""
    chance = shifts.chances()
    beyond = holm(chance.ravel(), JOB_LEVEL).reshape(chance.shape).any(axis=0) & ~settled
    if not beyond.any():
        return -1
    return int(np.argmax(np.where(beyond, shifts.clearness(), -np.inf)))
