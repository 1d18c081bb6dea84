"""A scheme solved and looked at from all sides: the one call that a plan needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import minimal_detectable_bias, noncentrality
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray
from tieup.preanalysis.candidates import REACH
from tieup.preanalysis.nextshot import Improvement, Search, next_shots
from tieup.preanalysis.reliability import SightReliability, examine_sights
from tieup.preanalysis.scheme import Scheme
from tieup.preanalysis.standing import Demand, State, describe_state, longest_sight
from tieup.ties.geometry import ALPHA, POWER
from tieup.ties.marks import smallest_caught


@dataclass(frozen=True)
class Outlook:
    """Everything a plan comes to, in SI.

    ``planned`` (k,): sights of the scheme that are planned, not shot. ``caught`` (t, 2): the
    smallest mistake in plan and height (m) that each tie would catch, infinite where none;
    ``caught_of_marks`` (P, 2) that in the weakest of a mark's sights and level runs, NaN where
    a mark has no place in plan.
    ``reach`` (m) bounds the further sights that were tried.
    """

    scheme: Scheme
    planned: BoolArray
    state: State
    sights: SightReliability
    caught: FloatArray
    caught_of_marks: FloatArray
    shots: tuple[Improvement, ...]
    reach: float

    @property
    def adjustment(self) -> Adjustment:
        """Return the solution."""
        return self.state.adjustment


def look_ahead(
    scheme: Scheme,
    adjustment: Adjustment,
    demand: Demand,
    planned_sights: BoolArray,
    planned_points: BoolArray,
) -> Outlook:
    """Describe a solved scheme and find the best next shots.

    Parameters
    ----------
    planned_sights, planned_points
        Shape (k,), (P,): what the plan names; the rest was shot already.
    """
    state = describe_state(scheme, adjustment, planned_points, demand)
    reach = REACH * longest_sight(state.adjustment, state.standing.wanted)
    search = Search(demand, planned_points, reach)
    caught = smallest_caught(state.ties, float(np.sqrt(noncentrality(ALPHA, POWER))))
    return Outlook(
        scheme=scheme,
        planned=planned_sights,
        state=state,
        sights=examine_sights(state.adjustment, state.adjustment.problem.network.sights),
        caught=caught,
        caught_of_marks=_of_marks(state, caught),
        shots=next_shots(scheme, state, search),
        reach=reach,
    )


def _of_marks(state: State, caught: FloatArray) -> FloatArray:
    """Return what the weakest sight or level run of each mark would catch (P, 2) in m."""
    adjustment = state.adjustment
    problem, links = adjustment.problem, adjustment.problem.network.links
    worst = np.full((len(adjustment.position), 2), -np.inf)
    np.maximum.at(worst, state.ties.point, caught)
    bias = minimal_detectable_bias(adjustment.link_sd, adjustment.link_redundancy)
    level = links.kind[problem.links] == "level"
    for ends in (links.start, links.end):
        of_run = np.where(np.isnan(bias), np.inf, bias)[level]
        np.maximum.at(worst[:, 1], ends[problem.links[level]], of_run)
    worst = np.where(np.isneginf(worst), np.inf, worst)
    worst[problem.held_in_plan, 0] = np.nan
    return worst
