"""Azimuths on another basis of bearings, turned so far that they keep the site from its control.

A turn beyond the start's limits makes every azimuth of a file, or the control, look grossly wrong.
So the files' turns are set free: where that leaves clearly less to explain, less too than one wrong
known mark or swapped axes would, those that are turned stay free. What is smaller the search finds,
among all other causes (`tieup.diagnose.kinds.basis_of_bearings`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.convention_signs import unexplained
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.basis.whole_misfit import fits_badly, misfit_cost
from tieup.diagnose.first_solution.swapped_control import resolve_axes
from tieup.diagnose.kinds.basis_of_bearings import BASIS_OF_BEARINGS, JOB, files_of_azimuths
from tieup.diagnose.kinds.control_coordinate import CONTROL_COORDINATE
from tieup.diagnose.kinds.swapped_axes import SWAPPED_AXES
from tieup.errors import TieupError
from tieup.geometry import wrap_half
from tieup.model.arrays import IntArray

SURE = 5.0  # sds from which an azimuth's turn is more than chance, whatever else is wrong
ALIKE = 3.0  # sds within which two files are turned alike
PRICE = 30.0  # of a turn, in v'Pv: a little more than one reading left out
GIVEN = 50.0  # of two wrong coordinates of a mark, or of swapped axes
PAIR = 2  # known marks between which a turn and a wrong mark look alike
MOST_MARKS = 12  # known marks that are left out one by one; more leave no doubt of the list
PLAN = (0, 1)


def resolve_azimuths(case: Case, solved: Solved | None) -> tuple[Solved, list[Mistake]] | None:
    """Return the solution with the turns of azimuths free, and the mistakes; None where none is.

    ``solved`` is the case as it is, None where it cannot be solved.
    """
    on_bases = bool((case.shots.basis >= 0).any())
    if solved is not None and _is_calm(solved):
        return None
    if case.datum.kind != "control" and not on_bases:
        return None
    every = np.arange(len(case.shots))
    groups = files_of_azimuths(case.shots, case.setups, every)
    files = {name: rows for name, rows in groups.items() if name != JOB}
    found = _turned(case, files) if files else None
    if found is None:
        return None
    freed, mistakes = found
    cost = misfit_cost(freed) + PRICE * len(mistakes)
    if solved is not None and cost > misfit_cost(solved):
        return None
    swapped, axes = (None, []) if solved is None else resolve_axes(solved)
    others = [one for one in (swapped if axes else None, *_without_a_mark(freed, case)) if one]
    marks = _known_marks(freed)
    if any(misfit_cost(other) + GIVEN < cost for other in others):
        return None
    rivals: tuple[RivalCause, ...] = ()
    if len(marks) <= PAIR and not files_of_azimuths(freed.case.shots, freed.case.setups, every):
        # Oriented by two marks alone: one of them wrong, or their axes, look like a turn.
        rivals = tuple(CONTROL_COORDINATE.rival("", (name,)) for name in marks)
        rivals += (SWAPPED_AXES.rival(""),) if axes else ()
    return freed, [replace(mistake, rivals=rivals) for mistake in mistakes]


def _turned(case: Case, files: dict[str, IntArray]) -> tuple[Solved, list[Mistake]] | None:
    """Return the solution in which those of the files have a turn that need one."""
    mistakes = [_mistake(rows, name) for name, rows in files.items()]
    solved = _freed(case, mistakes)
    if solved is None:
        return None
    measured = _measured(case, solved, mistakes)
    clear = [one for one in measured if one.statistic > SURE]
    if not clear:
        return None
    if len(clear) == len(files) > 1 and _alike(solved):
        clear = [_mistake(np.concatenate([*files.values()]), JOB)]
    elif len(clear) == len(files):
        return solved, measured
    again = _freed(case, clear)
    return None if again is None else (again, _measured(case, again, clear))


def _mistake(rows: IntArray, file: str) -> Mistake:
    return replace(BASIS_OF_BEARINGS.mistake("", (), rows), detail=file)


def _freed(case: Case, mistakes: Sequence[Mistake]) -> Solved | None:
    for mistake in mistakes:
        case = BASIS_OF_BEARINGS.taken_out(case, mistake)
    try:
        return solve(case)
    except TieupError:
        return None


def _measured(case: Case, solved: Solved, mistakes: Sequence[Mistake]) -> list[Mistake]:
    """Return the mistakes with their sizes: the turns of the latest bases, one for each.

    Against the turn of the basis that ``case`` has them on, where it has. Where the readings
    scatter more than stated, so do the turns.
    """
    adjustment, found = solved.adjustment, []
    scatter = max(adjustment.weighted_sum / max(adjustment.dof, 1), 1.0)
    spread = scatter * adjustment.with_turns.turn
    first = len(adjustment.turn) - len(mistakes)
    for number, mistake in enumerate(mistakes, start=first):
        part = np.zeros(len(adjustment.turn))
        part[number] = -1.0
        joined = int(case.shots.basis[mistake.rows[0]])
        if joined >= 0:
            part[joined] = 1.0
        own = np.flatnonzero(part)
        turn = float(part[own] @ adjustment.turn[own])
        if np.isfinite(turn):
            covariance = part[own] @ spread[np.ix_(own, own)] @ part[own]
            size = np.array([wrap_half(turn)])
            found.append(BASIS_OF_BEARINGS.sized(mistake, size, np.array([[covariance]])))
        else:
            found.append(mistake)
    return found


def _alike(solved: Solved) -> bool:
    """Say whether all turns are the same but for chance."""
    turn, spread = solved.adjustment.turn, solved.adjustment.with_turns.turn
    gap = wrap_half(turn[1:] - turn[0])
    own = np.diagonal(spread)
    variance = own[1:] + own[0] - 2.0 * spread[0, 1:]
    return bool((np.abs(gap) <= ALIKE * np.sqrt(np.maximum(variance, 0.0))).all())


def _is_calm(solved: Solved) -> bool:
    """Say whether a site has nothing gross in it: neither left out, nor left in and fitting ill."""
    return not unexplained(solved.network) and not fits_badly(solved)


def _known_marks(solved: Solved) -> list[str]:
    """Return the names of the marks that the list and the readings both place in plan."""
    network = solved.network
    placed = np.isfinite(network.control[:, :2]).all(axis=1) & network.start.plan_point
    return [network.point_names[mark] for mark in np.flatnonzero(placed).tolist()]


def _without_a_mark(freed: Solved, case: Case) -> Iterator[Solved]:
    """Give the solutions of ``case``, azimuths from grid north, each without one known mark."""
    marks = _known_marks(freed)
    for name in marks if len(marks) <= MOST_MARKS else ():
        try:
            yield solve(case.without_control(name, PLAN))
        except TieupError:
            continue
