"""One set of readings under two labels: a copy that would count as a second look.

Two setups never read the same: each stands elsewhere, and even one that is set up again over its
mark reads every target a little otherwise. Where zenith angles agree to the digit and distances to
the millimetre at mark after mark, one of the two is a copy, whatever its label, its times and the
zero of its circle.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.finding import Finding
from tieup.model.finding_kinds import COPIED_SETUP
from tieup.sentences import counted

SAME_ANGLE = 1e-8  # rad, 0.002 arc seconds: what another unit of angle leaves
SAME_LENGTH = 1.5e-3  # m: a copy may have been rounded to the millimetre
FEWEST = 6  # points; a coarse circle repeats a reading now and then, and not so often in a row
SHARE = 0.8  # of the points that both setups shot


def copied_setups(case: Case) -> list[Finding]:
    """Return a finding for every setup whose readings are those of another one."""
    shots = case.shots
    rows = np.flatnonzero(case.use.all(axis=1) & np.isfinite(shots.zenith + shots.distance))
    alike = _alike(case, rows)
    if not alike:
        return []
    seen = defaultdict[int, set[int]](set)
    for row in rows.tolist():
        seen[int(shots.setup[row])].add(int(shots.point[row]))
    return [
        _finding(case, one, other, len(points))
        for (one, other), points in sorted(alike.items())
        if len(points) >= max(FEWEST, SHARE * len(seen[one] & seen[other]))
    ]


def _alike(case: Case, rows: IntArray) -> dict[tuple[int, int], set[int]]:
    """Return for each pair of setups the points that they read alike."""
    shots = case.shots
    order = rows[np.lexsort((shots.zenith[rows], shots.point[rows]))]
    alike = defaultdict[tuple[int, int], set[int]](set)
    next_to = np.flatnonzero(_same_angle(case, order))
    for run in np.split(next_to, np.flatnonzero(np.diff(next_to) > 1) + 1):
        if not len(run):
            continue
        own = order[run[0] : run[-1] + 2]
        setups, first = np.unique(shots.setup[own], return_index=True)
        distance = shots.distance[own[first]]  # of a setup's looks that are alike, the first
        for one, other in combinations(range(len(setups)), 2):
            if abs(distance[one] - distance[other]) < SAME_LENGTH:
                alike[int(setups[one]), int(setups[other])].add(int(shots.point[own[0]]))
    return alike


def _same_angle(case: Case, order: IntArray) -> BoolArray:
    """Say of which rows the next in ``order`` reads the same zenith angle of the same point."""
    point, zenith = case.shots.point[order], case.shots.zenith[order]
    return np.asarray((point[1:] == point[:-1]) & (np.diff(zenith) < SAME_ANGLE))


def _finding(case: Case, one: int, other: int, points: int) -> Finding:
    first, second = case.setups[one].label, case.setups[other].label
    return COPIED_SETUP.found(
        setup=second,
        says=f"Setups {first} and {second} have the same zenith angles and distances to "
        f"{counted(points, 'point')}: one set of readings under two labels. As two looks they "
        "would prove each other.",
        confirm="Look up in the field book which of the two was set up, and whose rows these are.",
        cure=f"Take the copy out of raw/, or leave it out (exclude: {{setup: {second}}}).",
        key=f"{first} {second}",
    )
