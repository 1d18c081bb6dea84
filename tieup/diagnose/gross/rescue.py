"""Setups that the start could not place because their marks disagree.

With few ties one wrong name leaves no majority. Each exchange of two names and each tie
left out is tried; the one after which the setup stands without contradiction is the
explanation, the others that do as well are its rivals.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.kinds.kind import ALL
from tieup.diagnose.kinds.point_name import POINT_NAME
from tieup.diagnose.kinds.swapped_names import SWAPPED_NAMES
from tieup.errors import TieupError

FEWEST, MOST = 3, 9  # ties from which, and up to which, trying says something


def rescue(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Place every setup that one wrong or exchanged name keeps out; return the mistakes."""
    found: list[Mistake] = []
    for setup in np.flatnonzero(~solved.network.start.plan_setup).tolist():
        better = _place(solved, setup)
        if better is not None:
            solved, mistake = better
            found.append(mistake)
    return solved, found


def _place(solved: Solved, setup: int) -> tuple[Solved, Mistake] | None:
    known = _known_ties(solved, setup)
    if not FEWEST <= len(known) <= MOST:
        return None
    good: list[tuple[float, Case, Mistake]] = []
    for case, left_out, mistake in _trials(solved, setup, known):
        try:
            tried = solve(case)
        except TieupError:
            continue
        start = tried.network.start
        own = tried.network.sights.setup == setup
        if start.plan_setup[setup] and not start.gross[own].any():
            good.append(
                (tried.adjustment.weighted_sum / max(tried.adjustment.dof, 1), left_out, mistake)
            )
    if not good:
        return None
    good.sort(key=lambda entry: entry[0])
    fit, case, mistake = good[0]
    rivals = tuple(
        RivalCause(m.kind, m.setup, m.points, np.nan, separable=other > 4.0 * max(fit, 1.0))
        for other, _, m in good[1:4]
    )
    return solve(case), replace(mistake, rivals=rivals)


def _known_ties(solved: Solved, setup: int) -> list[int]:
    """Return the points with a place that an unplaced setup sights."""
    sights = solved.network.sights
    points = np.unique(sights.point[sights.setup == setup])
    return [int(p) for p in points[solved.network.start.plan_point[points]]]


def _trials(solved: Solved, setup: int, known: list[int]) -> list[tuple[Case, Case, Mistake]]:
    """Return cases to try, the same with the doubtful shots left out, and what they mean."""
    case, trials = solved.case, []
    label = case.setups[setup].label
    rows = {p: np.flatnonzero((case.shots.setup == setup) & (case.shots.point == p)) for p in known}
    for i, first in enumerate(known):
        name = case.points[first]
        out = case.without(rows[first], ALL)
        trials.append((out, out, POINT_NAME.mistake(label, (name,), rows[first])))
        for second in known[i + 1 :]:
            other = case.points[second]
            both = np.sort(np.concatenate([rows[first], rows[second]]))
            swapped = case.with_renamed(rows[first], other).with_renamed(rows[second], name)
            mistake = SWAPPED_NAMES.of_pair(label, (name, other), both)
            trials.append((swapped, case.without(both, ALL), mistake))
    return trials
