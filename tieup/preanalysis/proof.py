"""What mistake at each mark would be caught, and so which marks of a plan are checked.

A mark is as safe as the weakest of its sights: one wrong sight pulls it, whatever the others say.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.distributions import minimal_detectable_bias, noncentrality
from tieup.adjust.link_tests import link_tests
from tieup.model.arrays import BoolArray, FloatArray, TextArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.preanalysis.standing import CHECKED, UNCHECKED, State
from tieup.ties.geometry import ALPHA, POWER
from tieup.ties.marks import smallest_caught


def caught_by_ties(state: State) -> FloatArray:
    """Return the smallest mistake that each tie would catch (t, 2) in m, plan and height.

    Infinite where none would be, NaN in height where no zenith angle is measured. A sight of
    directions or distances alone acts on its mark along one line, and that line is what counts;
    not so in a setup that lacks proof itself.
    """
    ties, delta = state.ties, float(np.sqrt(noncentrality(ALPHA, POWER)))
    caught, measured = smallest_caught(ties, delta), _measured(state)
    one_kind = measured[:, DIRECTION] ^ measured[:, DISTANCE]
    along = ties.partial & one_kind & ~state.standing.lacking[ties.setup]
    caught[along, 0] = delta * ties.plan_sd[along]
    caught[~measured[:, ZENITH] & ~ties.plumb, 1] = np.nan
    return caught


def _measured(state: State) -> BoolArray:
    """Return which kinds (t, 3) the sights of each tie measure; none for a plumb line."""
    sights, count = state.adjustment.problem.network.sights, len(state.adjustment.axis)
    known = state.ties.point * count + state.ties.setup
    wanted = sights.point * count + sights.setup
    tie = np.searchsorted(known, wanted)
    own = np.flatnonzero(np.append(known, -1)[tie] == wanted)
    measured = np.zeros((len(known), 3), dtype=np.bool_)
    np.logical_or.at(measured, tie[own], np.isfinite(sights.value[own]))
    return measured


def caught_of_marks(state: State, caught: FloatArray) -> FloatArray:
    """Return what the weakest sight, level run or baseline of each mark would catch (P, 2) in m.

    ``caught`` (t, 2) is what each tie would. NaN where a mark has no place in plan, or none of
    its sights a height.
    """
    adjustment = state.adjustment
    problem, links = adjustment.problem, adjustment.problem.network.links
    worst = np.full((len(adjustment.position), 2), -np.inf)
    np.maximum.at(worst, state.ties.point, np.where(np.isnan(caught), -np.inf, caught))
    spread = link_tests(adjustment).bias_sd
    bias = minimal_detectable_bias(spread, np.ones(len(spread)))
    own = links.take(problem.links)
    counts = np.column_stack([own.in_plan & ~own.is_distance & ~own.in_height, own.in_height])
    for ends in (own.start, own.end):
        for part in (0, 1):
            of_link = np.where(np.isnan(bias), np.inf, bias)[counts[:, part]]
            np.maximum.at(worst[:, part], ends[counts[:, part]], of_link)
    tied = np.bincount(state.ties.point, minlength=len(worst)) > 0
    worst[tied & np.isneginf(worst[:, 1]), 1] = np.nan
    worst = np.where(np.isneginf(worst), np.inf, worst)
    worst[problem.held_in_plan, 0] = np.nan
    return worst


def proof_of_marks(state: State, caught: FloatArray) -> TextArray:
    """Return the proof of each mark (P,), unchecked where a mistake in plan or height would pass.

    ``caught`` (P, 2) is what the weakest sight of each mark would catch.
    """
    proof = state.standing.proof.copy()
    proof[(proof == CHECKED) & np.isinf(caught).any(axis=1)] = UNCHECKED
    return proof


def state_proof(state: State) -> TextArray:
    """Return the proof of each mark (P,) of a solved scheme."""
    return proof_of_marks(state, caught_of_marks(state, caught_by_ties(state)))


def passes_unsaid(state: State, caught: FloatArray, weakest: FloatArray, point: int) -> BoolArray:
    """Say where (2,), plan and height, a mistake at a mark passes and no setup is named for it.

    ``caught`` (t, 2) is what each tie would catch, ``weakest`` (P, 2) the weakest of each mark.
    """
    own = np.flatnonzero(state.ties.point == point)
    lost = np.isinf(caught[own])
    blamed = state.standing.lacking[state.ties.setup[own]]
    said = (lost & blamed[:, None]).any(axis=0)
    return np.asarray(np.isinf(weakest[point]) & ~said)
