"""Which marks of a plan would be checked and which bays would tie; what mistake is caught at each.

A mark is checked, and a bay ties, where that would be shown on 8 days in 10 or more: one meaning
with the finished survey (`tieup.preanalysis.prospects`). What would be caught is asked of the
weakest of a mark's sights: one wrong sight pulls it, whatever the others say.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.link_tests import link_tests
from tieup.model.arrays import BoolArray, FloatArray, TextArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.model.point_words import CHECKED, HELD, UNCHECKED, UNPLACED
from tieup.preanalysis.design_quality import DesignState
from tieup.preanalysis.draws import SELDOM, USUALLY
from tieup.preanalysis.prospects import Bay, Prospects
from tieup.ties.marks import smallest_caught

WOULD, MAY, UNPROVED = "would tie", "may tie", "unproved"


def mark_proofs(state: DesignState, prospects: Prospects) -> TextArray:
    """Return the proof of each mark (P,): held, checked, unchecked, empty where not placed."""
    proof = state.standing.proof.copy()
    asked = ~np.isin(proof, (HELD, UNPLACED))
    proof[asked] = np.where(prospects.marks.share[asked] >= USUALLY, CHECKED, UNCHECKED)
    return proof


def bay_word(bay: Bay | None, *, lacking: bool) -> str:
    """Say whether a setup or a joint would tie; never where a shape is ``lacking``."""
    if bay is None or lacking or bay.share < SELDOM:
        return UNPROVED
    return WOULD if bay.share >= USUALLY else MAY


def setup_words(state: DesignState, prospects: Prospects) -> tuple[str, ...]:
    """Return the word of each setup (S,)."""
    return tuple(
        bay_word(bay, lacking=bool(lacking))
        for bay, lacking in zip(prospects.setups, state.standing.lacking, strict=True)
    )


def joint_word(state: DesignState, prospects: Prospects, pair: tuple[int, int]) -> str:
    """Return the word of a joint: it ties no better than what is known where it lies."""
    return bay_word(prospects.joints[pair], lacking=False)


def unproved(state: DesignState, prospects: Prospects) -> int:
    """Return how many wanted marks, setups and joints would not be proved.

    What nothing places counts twice.
    """
    proof = mark_proofs(state, prospects)[state.standing.wanted]
    marks = (proof == UNCHECKED).sum() + 2 * (proof == UNPLACED).sum()
    setups = sum(word != WOULD for word in setup_words(state, prospects))
    joints = sum(joint_word(state, prospects, pair) != WOULD for pair in prospects.joints)
    return int(marks + setups + joints + np.isnan(state.standing.stance[:, 0]).sum())


def caught_by_ties(state: DesignState, delta: float) -> FloatArray:
    """Return the smallest mistake that each tie would catch (t, 2) in m, plan and height.

    ``delta`` is what is noticed 8 times in 10, in sds (`tieup.diagnose.evidence.margins`).
    Infinite where none would be, NaN in height where no zenith angle is measured. A sight of
    directions or distances alone acts on its mark along one line, and that line is what counts;
    not so in a setup that lacks proof itself.
    """
    ties = state.ties
    caught, measured = smallest_caught(ties, delta), _measured(state)
    one_kind = measured[:, DIRECTION] ^ measured[:, DISTANCE]
    along = ties.partial & one_kind & ~state.standing.lacking[ties.setup]
    caught[along, 0] = delta * ties.plan_sd[along]
    caught[~measured[:, ZENITH] & ~ties.plumb, 1] = np.nan
    return caught


def _measured(state: DesignState) -> BoolArray:
    """Return which kinds (t, 3) the sights of each tie measure; none for a plumb line."""
    sights, count = state.adjustment.problem.network.sights, len(state.adjustment.axis)
    known = state.ties.point * count + state.ties.setup
    wanted = sights.point * count + sights.setup
    tie = np.searchsorted(known, wanted)
    own = np.flatnonzero(np.append(known, -1)[tie] == wanted)
    measured = np.zeros((len(known), 3), dtype=np.bool_)
    np.logical_or.at(measured, tie[own], np.isfinite(sights.value[own]))
    return measured


def caught_of_marks(state: DesignState, caught: FloatArray, of_links: FloatArray) -> FloatArray:
    """Return what the weakest sight, level run or baseline of each mark would catch (P, 2) in m.

    ``caught`` (t, 2) is what each tie would; ``of_links`` (l,) what is noticed of each link, in
    sds. NaN where a mark has no place in plan, or none of
    its sights a height.
    """
    adjustment = state.adjustment
    problem, links = adjustment.problem, adjustment.problem.network.links
    worst = np.full((len(adjustment.position), 2), -np.inf)
    np.maximum.at(worst, state.ties.point, np.where(np.isnan(caught), -np.inf, caught))
    bias = of_links * link_tests(adjustment).bias_sd
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
