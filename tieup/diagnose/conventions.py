"""Whole setups whose numbers follow another convention than the job states.

Feet among metres, a circle read anticlockwise, DDD.MMSS taken for decimal degrees, an
elevation angle under zenith: every reading of the setup is wrong at once, so that no
search among single sights can find it. Cheap signs point at setups
(`tieup.diagnose.suspicion`); each convention is tried on these in closed form
(`tieup.diagnose.alone`); what fits is confirmed by solving. Nothing is corrected: the
readings are left out, and a person may accept the cure.

What cannot be told is not claimed: two marks, or marks in one line, fit a mirrored circle
as well as the true one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.alone import (
    Agreement,
    Alone,
    Known,
    agreement,
    known_without,
    marks_alone,
    readings_of,
    rows_of_setup,
    with_station,
)
from tieup.diagnose.axes import resolve_axes
from tieup.diagnose.case import Case
from tieup.diagnose.claims import Claim, mistakes_of
from tieup.diagnose.misreadings import (
    ALL,
    AS_STATED,
    CONVENTIONS,
    Convention,
    cured,
    every_convention,
    with_convention,
)
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.reused import split_reused
from tieup.diagnose.solve import Solved, solve
from tieup.diagnose.suspicion import misplaced, sexagesimal, steep, suspicious_setups
from tieup.diagnose.visits import SIDE
from tieup.errors import NetworkError, TieupError
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.network import Network

__all__ = ["CONVENTIONS", "cured", "resolve_conventions", "resolve_setups"]

TELLING_MARKS = 3  # two marks test one distance and nothing else
MOST_AGREE = 0.7  # share of the marks that must fit under the new convention
ONE_MARK = 0.9  # cost by which it must fit better than as stated: one mark decidedly out
AMBIGUOUS = 0.5  # cost within which a second convention fits as well
POLE = (0.9, 3.0)  # m; a pole is held at a height in here: common practice, no source


def resolve_conventions(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Find what follows another convention as a whole and solve without it.

    Control with swapped axes, setups misread as a whole, one label over two setups. A clean
    job comes back as it is, at the price of a look at its rows.

    Raises
    ------
    NetworkError
        Every setup is misread alike: nothing is left to solve, and job.yaml is to be changed.
    """
    solved, found = resolve_axes(solved)
    suspects = suspicious_setups(solved).tolist()
    if not suspects:
        return solved, found
    resolved = resolve_setups(solved.case, solved.network, suspects)
    if resolved is not None:
        solved, misread = resolved
        found += misread
    solved, reused = split_reused(solved)
    return solved, found + reused


def resolve_setups(
    case: Case, network: Network, suspects: Sequence[int]
) -> tuple[Solved, list[Mistake]] | None:
    """Find which of ``suspects`` are misread, and solve without them; None where none is.

    ``network`` has start values for the setups that are in order; it may be of a case without
    the suspects.
    """
    asked = _with_neighbours(network, suspects)
    found = [claim for s in asked if (claim := _claim(case, network, s)) is not None]
    found = _confirmed(case, network, found)
    if not found:
        return None
    mistakes = mistakes_of(case, found)
    return _left_out(case, mistakes)


def _with_neighbours(network: Network, suspects: Sequence[int]) -> list[int]:
    """Return suspects and what shares marks with them: one setup can make another look wrong."""
    sights = network.sights
    marks = np.unique(sights.point[np.isin(sights.setup, suspects)])
    return sorted({*suspects, *sights.setup[np.isin(sights.point, marks)].tolist()})


def _claim(case: Case, network: Network, setup: int) -> Claim | None:
    """Return the one convention under which a setup fits, if as stated it does not."""
    known = known_without(network, case.refraction, setup)
    rows = _telling_rows(case, setup, known)
    before = agreement(_marks(case, network, setup, rows, AS_STATED), known)
    if before.cost < ONE_MARK:
        return None
    plain = _gives_itself_away(case, setup)
    fits: list[tuple[float, Convention, Agreement]] = []
    for convention in every_convention():
        after = agreement(_marks(case, network, setup, rows, convention), known)
        if _fits(convention, before, after, plain):
            fits.append((after.cost + _implausible(case, setup, convention), convention, after))
    if not fits:
        return None
    cost, convention, after = min(fits, key=lambda fit: fit[0])
    others = [c for c, rival, _ in fits if rival.right != convention.right]
    if others and min(others) < cost + AMBIGUOUS:
        return None
    return Claim(setup, convention, before, after, _only_witness(network, setup, known))


def _telling_rows(case: Case, setup: int, known: Known) -> IntArray:
    """Return the rows of a setup to marks, side shots only where there are too few others.

    The numbers of side shots may begin again at each setup.
    """
    rows = rows_of_setup(case, setup)
    named = rows[case.shots.role[rows] != SIDE]
    marks = np.unique(case.shots.point[named])
    return named if np.isfinite(known.plan[marks]).sum() >= TELLING_MARKS else rows


def _marks(
    case: Case, network: Network, setup: int, rows: IntArray, convention: Convention
) -> Alone:
    marks = marks_alone(case, rows, convention.change(readings_of(case, rows)))
    if network.station[setup] < 0:
        return marks
    height = case.setups[setup].instrument_height
    height *= convention.factor if convention.heights else 1.0
    return with_station(marks, int(network.station[setup]), height)


def _gives_itself_away(case: Case, setup: int) -> frozenset[str]:
    """Return the kinds of convention that the numbers of a setup show by themselves."""
    signs = {"vertical-angle-kind": steep(case), "angle-unit": sexagesimal(case)}
    return frozenset(kind for kind, sign in signs.items() if sign[setup])


def _fits(
    convention: Convention, before: Agreement, after: Agreement, plain: frozenset[str]
) -> bool:
    """Say whether a setup fits under a convention and decidedly not without."""
    if after.cost + ONE_MARK > before.cost or after.level < MOST_AGREE * after.levelled:
        return False
    if after.agreeing >= max(TELLING_MARKS, MOST_AGREE * after.offered):
        return True
    # Two marks test their distance: enough where it is off by just this factor in plan and
    # in height, or where the numbers show the convention by themselves.
    both = after.offered == after.agreeing == 2 and after.level == 2
    return both and (convention.factor != 1.0 or convention.kind in plain)


def _implausible(case: Case, setup: int, convention: Convention) -> float:
    """Return a small cost for pole heights that nobody would book, to decide between equals."""
    poles = case.shots.target_height[rows_of_setup(case, setup)]
    poles = poles[poles > 0.0] * (convention.factor if convention.heights else 1.0)
    typical = float(np.median(poles)) if len(poles) else 1.5
    return 0.0 if POLE[0] <= typical <= POLE[1] else 0.1


def _only_witness(network: Network, setup: int, known: Known) -> int:
    """Return the setup that alone speaks of the marks, unless others vouch for it; else -1."""
    sights, start = network.sights, network.start
    own = np.unique(sights.point[sights.setup == setup])
    if (known.sources[own] > 1).any():
        return -1
    beside = np.isin(sights.point, own) & (sights.setup != setup) & start.plan_setup[sights.setup]
    witnesses = np.unique(sights.setup[beside])
    if len(witnesses) != 1:
        return -1
    witness = int(witnesses[0])
    third: BoolArray = np.asarray(np.isfinite(network.control[:, :2]).all(axis=1))
    third[sights.point[~np.isin(sights.setup, [setup, witness])]] = True
    vouching = third[np.unique(sights.point[sights.setup == witness])]
    return -1 if vouching.sum() >= TELLING_MARKS else witness


def _confirmed(case: Case, network: Network, claims: list[Claim]) -> list[Claim]:
    """Solve with all claims put right; keep those whose setup then joins the others."""
    if not claims:
        return []
    try:
        tried = solve(_put_right(case, claims))
    except TieupError:
        return []
    wrong = misplaced(tried.network)
    return [claim for claim in claims if not wrong[claim.setup]]


def _put_right(case: Case, claims: list[Claim]) -> Case:
    for claim in claims:
        case = with_convention(case, rows_of_setup(case, claim.setup), claim.convention)
    return case


def _left_out(case: Case, mistakes: list[Mistake]) -> tuple[Solved, list[Mistake]]:
    """Solve without what is misread; without whole setups where the rest cannot place them."""
    kinds = [mistake.kinds for mistake in mistakes]
    solved = _solve_without(case, mistakes, kinds)
    standing = [
        solved is not None
        and bool(solved.network.start.plan_setup[case.shots.setup[mistake.rows]].all())
        for mistake in mistakes
    ]
    if solved is None or not all(standing):
        kinds = [k if stands else ALL for k, stands in zip(kinds, standing, strict=True)]
        solved = _solve_without(case, mistakes, kinds)
    if solved is None:
        raise NetworkError(_nothing_left(case, mistakes))
    pairs = zip(mistakes, kinds, strict=True)
    return solved, [replace(mistake, kinds=own) for mistake, own in pairs]


def _solve_without(
    case: Case, mistakes: list[Mistake], kinds: list[tuple[int, ...]]
) -> Solved | None:
    for mistake, own in zip(mistakes, kinds, strict=True):
        case = case.without(mistake.rows, own)
    try:
        return solve(case)
    except TieupError:
        return None


def _nothing_left(case: Case, mistakes: list[Mistake]) -> str:
    """Say that what is misread leaves too little to solve, and how to put it right."""
    parts = [
        f"{', '.join(mistake.instead[1:]) or mistake.setup}: {mistake.detail}"
        for mistake in mistakes
    ]
    return (
        f"raw files: setups misread as a whole ({'; '.join(parts)}); without them nothing is left "
        "to solve, and with the numbers put right the site fits. Correct units: or columns: in "
        "job.yaml, or export the files again"
    )
