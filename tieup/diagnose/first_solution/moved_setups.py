"""One label over two positions of the instrument: it was moved and no new setup begun.

The shots of such a setup agree with the rest of the site in two parts, before and after
some row, each from a place of its own, and in no way together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.convention_signs import misplaced
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.single_setup_fit import (
    Agreement,
    Known,
    SetupReadings,
    agreement,
    known_without,
    marks_alone,
    readings_of,
    rows_of_setup,
)
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.first_solution.convention_fit import network_without
from tieup.diagnose.kinds.movements import SETUP_REUSED
from tieup.errors import TieupError
from tieup.model.arrays import IntArray
from tieup.model.network import Network

FEWEST_MARKS, TOGETHER = 2, 5  # marks of each part, and of both: two marks alone prove little
MOST_AGREE = 0.6  # share of the marks of each part that must agree
TELLING_MARKS = 3  # marks of a part that need no pause or backsight to show the move
PAUSE, LONGER = 300.0, 4.0  # s, and times the usual pace: time enough to move the instrument
BETTER = 1.5  # cost by which two places must fit better than one
LEAST_MISFIT = 0.001  # m


@dataclass(frozen=True)
class Break:
    """The row number from which a setup stands elsewhere, and the fits it rests on."""

    row: int
    before: Agreement
    after: Agreement


def split_reused(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Split each setup that stands in two places; return the new solution and the mistakes."""
    found: list[Mistake] = []
    for setup in np.flatnonzero(misplaced(solved.network)).tolist():
        better = split_setup(solved.case, solved.network, setup)
        if better is None and (apart := network_without(solved.case, setup)) is not None:
            better = split_setup(solved.case, apart, setup)
        if better is not None:
            solved, mistake = better
            found.append(mistake)
    return solved, found


def split_setup(case: Case, network: Network, setup: int) -> tuple[Solved, Mistake] | None:
    """Split one setup if it stands in two places; ``network`` may be without it."""
    rows = rows_of_setup(case, setup)
    known = known_without(network, case, setup)
    whole = agreement(marks_alone(case, rows, readings_of(case, rows)), known)
    found = _best_break(case, rows, known)
    if found is None or found.before.cost + found.after.cost + BETTER > whole.cost:
        return None
    later = np.flatnonzero((case.shots.setup == setup) & (np.arange(len(case.shots)) >= found.row))
    split = case.with_split_setup(setup, later)
    try:
        tried = solve(split)
    except TieupError:
        return None
    wrong = misplaced(tried.network)
    if wrong[setup] or wrong[-1]:
        return None
    after = max(found.before.misfit, found.after.misfit, LEAST_MISFIT)
    mistake = replace(
        SETUP_REUSED.mistake(case.setups[setup].label, (), later),
        statistic=whole.misfit / after,
        detail=f"before row {found.row}",
        instead=(split.setups[-1].label,),
    )
    return tried, mistake


def _best_break(case: Case, rows: IntArray, known: Known) -> Break | None:
    """Return the break between two ties that leaves both sides in the best agreement."""
    ties = rows[np.isfinite(known.plan[case.shots.point[rows]])]
    best: tuple[float, int, Agreement, Agreement] | None = None
    for cut in range(1, len(ties)):
        parts = [_agreement_of(case, part, known) for part in (ties[:cut], ties[cut:])]
        if not all(_agrees(part) for part in parts):
            continue
        if sum(part.agreeing for part in parts) < TOGETHER:
            continue
        cost = parts[0].cost + parts[1].cost
        if best is None or cost < best[0]:
            best = (cost, cut, parts[0], parts[1])
    if best is None:
        return None
    _, cut, before, after = best
    row = _first_row(case, rows, int(ties[cut - 1]), int(ties[cut]))
    few = min(before.agreeing, after.agreeing) < TELLING_MARKS
    # Two swapped names also fit a place of their own; a move takes time and a new backsight.
    return None if few and not _moved_on(case, rows, row) else Break(row, before, after)


def _moved_on(case: Case, rows: IntArray, row: int) -> bool:
    """Say whether work paused before a row, or a backsight was shot anew from it on."""
    step = np.diff(case.shots.time[rows])
    pause = step[int(np.searchsorted(rows, row)) - 1] if rows[0] < row else np.nan
    if np.isfinite(step).all() and pause >= max(PAUSE, LONGER * float(np.median(step))):
        return True
    role = case.shots.role[rows]
    return bool(((role == "backsight") & (rows >= row)).any())


def _agreement_of(case: Case, rows: IntArray, known: Known) -> Agreement:
    readings: SetupReadings = readings_of(case, rows)
    return agreement(marks_alone(case, rows, readings), known)


def _agrees(part: Agreement) -> bool:
    """Say whether the marks of a part agree on one place; two alone must both."""
    few = part.agreeing < TELLING_MARKS
    enough = part.offered if few else MOST_AGREE * part.offered
    return part.agreeing >= max(FEWEST_MARKS, enough) and part.level >= MOST_AGREE * part.levelled


def _first_row(case: Case, rows: IntArray, last: int, first: int) -> int:
    """Return the row after the longest pause between two ties, or the later tie itself."""
    between = rows[(rows >= last) & (rows <= first)]
    pause = np.diff(case.shots.time[between])
    if not len(pause) or not np.isfinite(pause).all() or np.ptp(pause) == 0.0:
        return first
    return int(between[1 + int(np.argmax(pause))])
