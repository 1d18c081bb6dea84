"""A scheme solved and looked at from all sides: the one call that a plan needs."""

from __future__ import annotations

from dataclasses import dataclass

from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, TextArray
from tieup.preanalysis.candidates import REACH
from tieup.preanalysis.design_quality import Demand, DesignState, describe_state, longest_sight
from tieup.preanalysis.nextshot import Improvement, Search, next_shots
from tieup.preanalysis.prospects import Prospects, expected_certainty, prospects_of
from tieup.preanalysis.reliability_class import caught_by_ties, caught_of_marks, mark_proofs
from tieup.preanalysis.scheme import Scheme
from tieup.preanalysis.sight_reliability import SightReliability, examine_sights


@dataclass(frozen=True)
class Outlook:
    """Everything a plan comes to, in SI.

    ``planned`` (k,): sights of the scheme that are planned, not shot. ``caught`` (t, 2): the
    smallest mistake in plan and height (m) that each tie would catch, infinite where none;
    ``caught_of_marks`` (P, 2) that in the weakest of a mark's sights and level runs, NaN where
    a mark has no place in plan. ``prospects``: what the scheme would prove; ``proof`` (P,) is
    held, checked, unchecked, or empty.
    ``reach`` (m) bounds the further sights that were tried.
    """

    scheme: Scheme
    planned: BoolArray
    state: DesignState
    sights: SightReliability
    caught: FloatArray
    caught_of_marks: FloatArray
    prospects: Prospects
    proof: TextArray
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
    certainty = expected_certainty(scheme, state.adjustment)
    prospects = prospects_of(scheme, state.adjustment, demand.sizes, certainty)
    search = Search(demand, planned_points, reach, certainty)
    caught = caught_by_ties(state, prospects.usual)
    sights = state.adjustment.problem.network.sights
    return Outlook(
        scheme=scheme,
        planned=planned_sights,
        state=state,
        sights=examine_sights(state.adjustment, sights, prospects.margin),
        caught=caught,
        caught_of_marks=caught_of_marks(state, caught, prospects.links),
        prospects=prospects,
        proof=mark_proofs(state, prospects),
        shots=next_shots(scheme, state, prospects, search),
        reach=reach,
    )
