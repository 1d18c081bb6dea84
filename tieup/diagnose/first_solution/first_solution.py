"""The first solution of a job: whatever keeps the site as a whole from being solved.

Numbers that clash between setups and setups misread as a whole are taken out before
anything is said about single sights, also where nothing can be solved with them.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.convention_signs import sexagesimal, steep
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.single_setup_fit import rows_of_setup
from tieup.diagnose.basis.solve import Prepared, Solved, assemble, solve
from tieup.diagnose.first_solution.convention_fit import network_without
from tieup.diagnose.first_solution.conventions import resolve_conventions, resolve_setups
from tieup.diagnose.first_solution.moved_setups import split_setup
from tieup.diagnose.first_solution.swapped_control import whole_list
from tieup.diagnose.first_solution.turned_azimuths import resolve_azimuths
from tieup.diagnose.kinds.convention_catalogue import ALL
from tieup.diagnose.names.collisions import split_collisions, split_unsolved
from tieup.errors import TieupError

MOST_SETUPS = 12  # setups that are left out one by one to find the one that spoils the rest


def open_case(case: Case, prepared: Prepared | None = None) -> tuple[Solved, list[Mistake]]:
    """Solve a case for the first time; take out clashing names and misread setups.

    Raises
    ------
    NetworkError, AdjustmentError
        The data cannot be tied or solved at all, with the reason of the first attempt.
    """
    found: list[Mistake] = []
    try:
        solved = solve(case, prepared)
    except TieupError as error:
        rescued = resolve_azimuths(case, None) or _rescued(case)
        if rescued is None:
            raise error from None
        solved, found = rescued
    else:
        turned = resolve_azimuths(case, solved)
        solved, found = turned if turned is not None else (solved, [])
    solved, clashing = _names_split(solved)
    solved, misread = resolve_conventions(solved)
    if misread:
        solved, more = _names_split(solved)
        clashing += more
    return solved, found + clashing + misread


def _names_split(solved: Solved) -> tuple[Solved, list[Mistake]]:
    case, found = split_collisions(solved)
    return (solve(case), found) if found else (solved, [])


def _rescued(case: Case) -> tuple[Solved, list[Mistake]] | None:
    """Return a solution of what is left once the cause of the failure is out, or None."""
    apart, found = split_unsolved(case)
    if found:
        try:
            return solve(apart), found
        except TieupError:
            case = apart
    whole = whole_list(case)
    if whole is not None:
        return whole[0], found + whole[1]
    if (resolved := _misread(case)) is not None:
        return resolved[0], found + resolved[1]
    for setup in range(len(case.setups)) if len(case.setups) <= MOST_SETUPS else ():
        network = network_without(case, setup)
        split = None if network is None else split_setup(case, network, setup)
        if split is not None:
            return split[0], [*found, split[1]]
    return None


def _misread(case: Case) -> tuple[Solved, list[Mistake]] | None:
    """Look for the setups that are misread among those without which the rest has a place."""
    for suspects in _doubted(case):
        reduced = case
        for setup in suspects:
            reduced = reduced.without(rows_of_setup(case, setup), ALL).without_station(setup)
        try:
            _, network = assemble(reduced)
        except TieupError:
            continue
        resolved = resolve_setups(case, network, suspects)
        if resolved is not None:
            return resolved
    return resolve_setups(case, None, ())


def _doubted(case: Case) -> Iterator[list[int]]:
    """Give the setups whose numbers show another convention, then each setup by itself."""
    shown = np.flatnonzero(steep(case) | sexagesimal(case)).tolist()
    if shown:
        yield shown
    if len(case.setups) <= MOST_SETUPS:
        yield from ([setup] for setup in range(len(case.setups)))
