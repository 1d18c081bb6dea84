"""Whole setups whose numbers follow another convention than the job states.

Feet among metres, a circle read anticlockwise, DDD.MMSS taken for decimal degrees, an
elevation angle under zenith: every reading of the setup is wrong at once, so that no
search among single sights can find it. Cheap signs point at setups
(`tieup.diagnose.basis.convention_signs`); each convention is tried on these in closed form
(`tieup.diagnose.basis.single_setup_fit`); what fits is confirmed by solving. Nothing is
corrected: the readings are left out, and a person may accept the cure.

What cannot be told is not claimed: two marks, or marks in one line, fit a mirrored circle
as well as the true one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.convention_signs import (
    misplaced,
    sexagesimal,
    steep,
    suspicious_setups,
    unexplained,
)
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.single_setup_fit import rows_of_setup
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.first_solution.convention_claims import Claim, mistakes_of
from tieup.diagnose.first_solution.convention_fit import claim_apart, claim_of, stands
from tieup.diagnose.first_solution.moved_setups import split_reused
from tieup.diagnose.first_solution.swapped_control import resolve_axes
from tieup.diagnose.kinds.convention_catalogue import (
    ALL,
    CONVENTIONS,
    every_convention,
    with_convention,
)
from tieup.diagnose.names.collisions import split_collisions
from tieup.errors import NetworkError, TieupError
from tieup.model.network import Network

MOST_TRIED = 6  # claims that are solved one by one; more are taken together
ROUNDS = 6
MOST_APART = 12  # setups looked at without their own say; on a large site one of many is no loss


def resolve_conventions(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Find what follows another convention as a whole and solve without it.

    Control with swapped axes, setups misread as a whole, one label over two setups. A clean
    job comes back as it is, at the price of a look at its rows.

    Raises
    ------
    NetworkError
        Every setup is misread alike: nothing is left to solve, and job.yaml is to be changed.
    """
    solved, found = _axes_or_setups(solved)
    for _ in range(ROUNDS):
        suspects = suspicious_setups(solved.case, solved.network).tolist()
        better = _resolved(solved, suspects) if suspects else None
        if better is None:
            break
        solved, new = better
        found += new
    return solved, found


def _axes_or_setups(solved: Solved) -> tuple[Solved, list[Mistake]]:
    """Find control with swapped axes, unless misread setups explain more.

    Few control marks, some of them sighted by a mirrored setup, can look swapped.
    """
    swapped, found = resolve_axes(solved)
    if found and misplaced(swapped.network).any():
        suspects = np.flatnonzero(misplaced(solved.network)).tolist()
        other = _resolved(solved, suspects) if suspects else None
        if other is not None and unexplained(other[0].network) < unexplained(swapped.network):
            return other
    return swapped, found


def _resolved(solved: Solved, suspects: list[int]) -> tuple[Solved, list[Mistake]] | None:
    """Explain some suspects, by what is cheap to try first; None where nothing explains any."""
    resolved = resolve_setups(solved.case, solved.network, suspects)
    if resolved is not None:
        return resolved
    solved, reused = split_reused(solved)
    if reused:
        return solved, reused
    if len(suspects) > MOST_APART:
        return None
    return resolve_setups(solved.case, solved.network, suspects, apart=True)


def resolve_setups(
    case: Case, network: Network | None, suspects: Sequence[int], *, apart: bool = False
) -> tuple[Solved, list[Mistake]] | None:
    """Find which setups are misread, and solve without them; None where none is.

    ``network`` has start values for the setups that are in order; it may be of a case without
    the suspects, or None where nothing can be solved. With ``apart`` each setup is compared
    with start values that it has no part in, which takes longer.
    """
    accepted = _given_away(case)
    right, start = case, network
    if accepted:
        right = _put_right(case, accepted)
        start = solve(right).network
        suspects = suspicious_setups(right, start).tolist()
    if start is not None and suspects:
        accepted += _fewest(right, start, suspects, apart)
    if not accepted:
        return None
    case, clashing = _names_split(case, accepted)
    solved, misread = _left_out(case, mistakes_of(case, accepted))
    return solved, [*misread, *clashing]


def _names_split(case: Case, accepted: list[Claim]) -> tuple[Case, list[Mistake]]:
    """Tell apart the names that clash, which shows once the setups are put right."""
    split, found = split_collisions(solve(_put_right(case, accepted)))
    shots = replace(case.shots, point=split.shots.point)
    return replace(case, points=split.points, shots=shots), found


def _given_away(case: Case) -> list[Claim]:
    """Return the claims of several setups whose numbers show their convention, all at once.

    Where most setups are misread alike, none of them can be told by the others.
    """
    shown = {"angle-unit": sexagesimal(case), "vertical-angle-kind": steep(case)}
    for kind, sign in shown.items():
        setups = np.flatnonzero(sign).tolist()
        for convention in CONVENTIONS[kind] if len(setups) > 1 else ():
            right = case
            for setup in setups:
                right = with_convention(right, rows_of_setup(case, setup), convention)
            try:
                network = solve(right).network
            except TieupError:
                continue
            claims = [claim_of(case, network, setup) for setup in setups]
            found = [c for c in claims if c is not None and c.convention is convention]
            if len(found) == len(setups) and not misplaced(network)[setups].any():
                return found
    return []


def _fewest(case: Case, network: Network, suspects: Sequence[int], apart: bool) -> list[Claim]:
    """Return the fewest claims after which the setups stand, one by one.

    What does as well in place of an accepted claim, and is not wanted beside it, is its rival.
    """
    accepted: list[Claim] = []
    for _ in range(ROUNDS):
        claims = _candidates(case, network, suspects, apart)
        if len(claims) > MOST_TRIED:
            return accepted + _all_at_once(case, claims)
        tried = [(claim, right) for claim in claims if (right := _tried(case, claim)) is not None]
        if not tried:
            break
        left = [unexplained(right.network) for _, right in tried]
        best = left.index(min(left))
        chosen, right = tried[best]
        equal = [claim for (claim, _), n in zip(tried, left, strict=True) if n == left[best]]
        case, network = right.case, right.network
        rivals = [c for c in equal if c is not chosen and claim_of(case, network, c.setup) is None]
        accepted.append(replace(chosen, rivals=tuple(rivals)))
        suspects = suspicious_setups(case, network).tolist()
        if not suspects:
            break
    return accepted


def _candidates(case: Case, network: Network, suspects: Sequence[int], apart: bool) -> list[Claim]:
    """Return the claims of suspects and their neighbours, the best fitting first.

    Where one setup alone speaks against another, it may as well be the one misread, the
    other way round.
    """
    asked = _with_neighbours(network, suspects)
    if apart:
        tried = [claim_apart(case, s) for s in asked if not stands(case, network, s)]
    else:
        tried = [claim_of(case, network, s) for s in asked]
    # At a glance only a setup that fits on all its marks is believed: a misread neighbour can
    # make most of them look so.
    claims = [claim for claim in tried if claim is not None and (apart or claim.after.whole)]
    claims.sort(key=lambda claim: claim.after.cost)
    named = {(claim.setup, claim.convention.name) for claim in claims}
    opposite = {c.name: c for c in every_convention()}
    for claim in claims.copy():
        if claim.witness < 0 or not claim.convention.opposite:
            continue
        convention = opposite[claim.convention.opposite]
        if (claim.witness, convention.name) not in named:
            named.add((claim.witness, convention.name))
            claims.append(replace(claim, setup=claim.witness, convention=convention, witness=-1))
    return claims


def _with_neighbours(network: Network, suspects: Sequence[int]) -> list[int]:
    """Return suspects and what shares marks with them: one setup can make another look wrong."""
    sights = network.sights
    marks = np.unique(sights.point[np.isin(sights.setup, suspects)])
    return sorted({*suspects, *sights.setup[np.isin(sights.point, marks)].tolist()})


def _tried(case: Case, claim: Claim) -> Solved | None:
    """Solve with one claim put right; None unless its setup then joins the others."""
    try:
        solved = solve(_put_right(case, [claim]))
        if misplaced(solved.network)[claim.setup]:
            split, clashing = split_collisions(solved)
            solved = solve(split) if clashing else solved
    except TieupError:
        return None
    return None if misplaced(solved.network)[claim.setup] else solved


def _all_at_once(case: Case, claims: list[Claim]) -> list[Claim]:
    try:
        wrong = misplaced(solve(_put_right(case, claims)).network)
    except TieupError:
        return []
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
    parts = []
    for mistake in mistakes:
        rivals = [rival.setup for rival in mistake.rivals if rival.setup]
        setups = ", ".join(mistake.instead[1:]) or " or ".join([mistake.setup, *rivals])
        parts.append(f"{setups}: {mistake.detail}")
    return (
        f"raw files: setups misread as a whole ({'; '.join(parts)}); without them nothing is left "
        "to solve, and with the numbers put right the site fits. Correct units: or columns: in "
        "job.yaml, or export the files again"
    )
