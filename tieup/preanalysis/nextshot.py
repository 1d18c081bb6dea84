"""The best next shot: which further sight betters a plan most, each after the one before.

First counts what would not be proved, then how near marks and instruments come to their limits,
the worst of them for most. A sight that joins what is determined is judged from the covariance of
the solved scheme, by whether anything tests a mark; one that would place something new needs a
solution of its own. The first few by that are then asked what they would prove, while anything is
unproved (`tieup.preanalysis.prospects`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.diagnose.proof.certainty import Certainty
from tieup.errors import AdjustmentError, NetworkError
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.observations import Sights
from tieup.preanalysis.candidate_screening import most_promising
from tieup.preanalysis.candidates import (
    Area,
    Candidates,
    candidate_sights,
    find_candidates,
    joined,
    search_area,
)
from tieup.preanalysis.design_quality import Demand, DesignQuality, DesignState, describe_state
from tieup.preanalysis.prospects import Prospects, prospects_of
from tieup.preanalysis.reliability_class import unproved
from tieup.preanalysis.scheme import Scheme, solve_scheme
from tieup.preanalysis.update import can_update, make_base, standings_after

MOST_SHOTS = 3
MOST_ASKED = 3  # candidates that are asked what they would prove, while anything is unproved
MANY = 200  # sights from which one candidate only is asked: each takes some seconds
MOST_SOLVED = 24  # candidates that get a solution of their own, the shortest first
WORTH = 0.01  # a second sight that betters nothing by so much is not named


@dataclass(frozen=True)
class Improvement:
    """One further sight: ``setup`` and ``point`` numbers, ``away`` in m, and what it does.

    ``proves`` are the prospects before and after it.
    """

    setup: int
    point: int
    away: float
    before: DesignState
    after: DesignState
    proves: tuple[Prospects, Prospects]


@dataclass(frozen=True)
class Search:
    """Where further sights are looked for: the job's demand, planned marks, reach in m.

    ``certainty`` is how well the sds of the scheme would be known.
    """

    demand: Demand
    planned: BoolArray
    reach: float
    certainty: Certainty


def next_shots(
    scheme: Scheme,
    state: DesignState,
    prospects: Prospects,
    search: Search,
    most: int = MOST_SHOTS,
) -> tuple[Improvement, ...]:
    """Return up to ``most`` further sights, the best first, each on top of those before."""
    found: list[Improvement] = []
    while len(found) < most:
        area = search_area(scheme, state.adjustment, state.standing.wanted, weakest(state))
        candidates = find_candidates(scheme, state.adjustment, area, search.reach)
        if not len(candidates):
            break
        ranked = rank(judge(scheme, state, search, area, candidates))
        few = len(scheme.sights) > MANY or not unproved(state, prospects)
        tried = 1 if few else MOST_ASKED
        best = _best(scheme, (state, prospects), search, candidates, ranked[:tried])
        if best is None or not _worth(best, 0.0 if not found else WORTH):
            break
        found.append(best)
        sights = candidate_sights(scheme, candidates)
        number = _number(candidates, best)
        scheme = scheme.with_sights(joined(scheme.sights, take(sights, np.array([number]))))
        state, prospects = best.after, best.proves[1]
    return tuple(found)


def _best(
    scheme: Scheme,
    before: tuple[DesignState, Prospects],
    search: Search,
    candidates: Candidates,
    numbers: IntArray,
) -> Improvement | None:
    """Return the best of a few candidates, each solved and asked what it would prove."""
    sights, found = candidate_sights(scheme, candidates), []
    for place, number in enumerate(numbers.tolist()):
        whole = scheme.with_sights(joined(scheme.sights, take(sights, np.array([number]))))
        after = describe_state(whole, solve_scheme(whole), search.planned, search.demand)
        proved = prospects_of(whole, after.adjustment, search.demand.sizes, search.certainty)
        one = Improvement(
            int(candidates.setup[number]),
            int(candidates.point[number]),
            float(candidates.away[number]),
            before[0],
            after,
            (before[1], proved),
        )
        found.append((unproved(after, proved), *merit(after.standing), place, one))
    return min(found, key=lambda each: each[:-1])[-1] if found else None


def _worth(one: Improvement, least: float) -> bool:
    """Say whether a further sight proves more, or betters the plan by more than ``least``."""
    before, after = unproved(one.before, one.proves[0]), unproved(one.after, one.proves[1])
    return after < before or worth(one.before.standing, one.after.standing, least)


def _number(candidates: Candidates, one: Improvement) -> int:
    own = (candidates.setup == one.setup) & (candidates.point == one.point)
    return int(np.flatnonzero(own)[0])


def judge(
    scheme: Scheme, state: DesignState, search: Search, area: Area, candidates: Candidates
) -> list[DesignQuality | None]:
    """Return how the plan would stand with each candidate; None where nothing was tried."""
    sights = candidate_sights(scheme, candidates)
    standings: list[DesignQuality | None] = [None] * len(sights)
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


def solved_standing(scheme: Scheme, search: Search, sight: Sights) -> DesignQuality | None:
    """Return how the plan would stand with one more sight, by solving it again."""
    whole = scheme.with_sights(joined(scheme.sights, sight))
    try:
        adjustment = solve_scheme(whole)
    except (NetworkError, AdjustmentError):
        return None
    return describe_state(whole, adjustment, search.planned, search.demand).standing


def rank(standings: list[DesignQuality | None]) -> IntArray:
    """Return the numbers of the standings, the best first; those that were not tried drop out."""
    tried = [(number, s) for number, s in enumerate(standings) if s is not None]
    ordered = sorted(tried, key=lambda pair: (*merit(pair[1]), pair[0]))
    return np.array([number for number, _ in ordered], dtype=np.int64)


def merit(standing: DesignQuality) -> tuple[int, float]:
    """Return what is to be made small: unchecked marks and setups, then the burden."""
    return standing.missing, standing.burden


def worth(before: DesignQuality, after: DesignQuality, least: float = WORTH) -> bool:
    """Say whether a further sight betters the plan by more than a share ``least``."""
    return after.missing < before.missing or after.burden < (1.0 - least) * before.burden


def weakest(state: DesignState) -> int:
    """Return the wanted mark that is worst against its limit."""
    ratio = np.where(state.standing.wanted[:, None], state.standing.ratio, np.nan)
    return int(np.argmax(np.nan_to_num(ratio, nan=-1.0).max(axis=1)))


def take(sights: Sights, rows: IntArray) -> Sights:
    """Return the chosen sights."""
    return Sights(**{name: column[rows] for name, column in vars(sights).items()})
