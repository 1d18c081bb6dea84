"""The best next shot: which further sight betters a plan most, each after the one before.

First counts what nothing checks, then how near marks and instruments come to their limits, the
worst of them for most. A sight that joins what is determined is judged from the covariance of the
solved scheme; one that would place something new needs a solution of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.errors import AdjustmentError, NetworkError
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.observations import Sights
from tieup.preanalysis.candidates import (
    Area,
    Candidates,
    candidate_sights,
    find_candidates,
    joined,
    search_area,
)
from tieup.preanalysis.promise import most_promising
from tieup.preanalysis.scheme import Scheme, solve_scheme
from tieup.preanalysis.standing import Demand, Standing, State, describe_state
from tieup.preanalysis.update import can_update, make_base, standings_after

MOST_SHOTS = 3
MOST_SOLVED = 24  # candidates that get a solution of their own, the shortest first
WORTH = 0.01  # a second sight that betters nothing by so much is not named


@dataclass(frozen=True)
class Improvement:
    """One further sight: ``setup`` and ``point`` numbers, ``away`` in m, and what it does."""

    setup: int
    point: int
    away: float
    before: State
    after: State


@dataclass(frozen=True)
class Search:
    """Where further sights are looked for: the job's demand, planned marks, reach in m."""

    demand: Demand
    planned: BoolArray
    reach: float


def next_shots(
    scheme: Scheme, state: State, search: Search, most: int = MOST_SHOTS
) -> tuple[Improvement, ...]:
    """Return up to ``most`` further sights, the best first, each on top of those before."""
    found: list[Improvement] = []
    while len(found) < most:
        area = search_area(scheme, state.adjustment, state.standing.wanted, weakest(state))
        candidates = find_candidates(scheme, state.adjustment, area, search.reach)
        if not len(candidates):
            break
        sights = candidate_sights(scheme, candidates)
        standings = judge(scheme, state, search, area, candidates)
        ranked = rank(standings)
        if not len(ranked):
            break
        best = int(ranked[0])
        scheme = scheme.with_sights(joined(scheme.sights, take(sights, ranked[:1])))
        after = describe_state(scheme, solve_scheme(scheme), search.planned, search.demand)
        if not worth(state.standing, after.standing, 0.0 if not found else WORTH):
            break
        setup, point = int(candidates.setup[best]), int(candidates.point[best])
        found.append(Improvement(setup, point, float(candidates.away[best]), state, after))
        state = after
    return tuple(found)


def judge(
    scheme: Scheme, state: State, search: Search, area: Area, candidates: Candidates
) -> list[Standing | None]:
    """Return how the plan would stand with each candidate; None where nothing was tried."""
    sights = candidate_sights(scheme, candidates)
    standings: list[Standing | None] = [None] * len(sights)
    base = make_base(scheme, state, search.demand, area)
    quick = can_update(base, sights)
    numbers = np.flatnonzero(quick)
    numbers = numbers[most_promising(base, take(sights, numbers))]
    for number, standing in zip(
        numbers.tolist(), standings_after(base, take(sights, numbers)), strict=True
    ):
        standings[number] = standing
    slow = np.flatnonzero(~quick)
    for number in slow[np.argsort(candidates.away[slow], kind="stable")][:MOST_SOLVED].tolist():
        standings[number] = solved_standing(scheme, search, take(sights, np.array([number])))
    return standings


def solved_standing(scheme: Scheme, search: Search, sight: Sights) -> Standing | None:
    """Return how the plan would stand with one more sight, by solving it again."""
    whole = scheme.with_sights(joined(scheme.sights, sight))
    try:
        adjustment = solve_scheme(whole)
    except (NetworkError, AdjustmentError):
        return None
    return describe_state(whole, adjustment, search.planned, search.demand).standing


def rank(standings: list[Standing | None]) -> IntArray:
    """Return the numbers of the standings, the best first; those that were not tried drop out."""
    tried = [(number, s) for number, s in enumerate(standings) if s is not None]
    ordered = sorted(tried, key=lambda pair: (*merit(pair[1]), pair[0]))
    return np.array([number for number, _ in ordered], dtype=np.int64)


def merit(standing: Standing) -> tuple[int, float]:
    """Return what is to be made small: unchecked marks and setups, then the burden."""
    return standing.missing, standing.burden


def worth(before: Standing, after: Standing, least: float = WORTH) -> bool:
    """Say whether a further sight betters the plan by more than a share ``least``."""
    return after.missing < before.missing or after.burden < (1.0 - least) * before.burden


def weakest(state: State) -> int:
    """Return the wanted mark that is worst against its limit."""
    ratio = np.where(state.standing.wanted[:, None], state.standing.ratio, np.nan)
    return int(np.argmax(np.nan_to_num(ratio, nan=-1.0).max(axis=1)))


def take(sights: Sights, rows: IntArray) -> Sights:
    """Return the chosen sights."""
    return Sights(**{name: column[rows] for name, column in vars(sights).items()})
