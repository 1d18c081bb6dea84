"""Look again at setups and marks that miss, once everything stands.

Growing by the strongest join is not always right at once: a setup or a mark may have been
placed by a mistake before the sights that contradict it came in. It is moved when more of
what sees it agrees at another place.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.network.clouds import PLAIN, Ties
from tieup.network.equations import plan_misfits
from tieup.network.growth import LIKELY_ACCIDENT, Pose
from tieup.network.placing import OWN, gather, place_setup
from tieup.network.plan import CONTROL_TOLERANCE, CONTROL_WEIGHT, Anchors, PlanState
from tieup.network.rigid import ComplexArray, consensus


def look_again(state: PlanState, ties: Ties, anchors: Anchors) -> PlanState | None:
    """Return the state with better places of setups and marks that miss, or None."""
    setups = _setups_again(state, ties, anchors)
    marks = _marks_again(state if setups is None else setups, ties, anchors)
    return setups if marks is None else marks


def _setups_again(state: PlanState, ties: Ties, anchors: Anchors) -> PlanState | None:
    """Place setups that miss on what the others say of their marks."""
    misfit = plan_misfits(state, ties)
    within = misfit <= 1.0
    miss = np.asarray((misfit > 1.0).any(axis=1))
    good = np.asarray(within.any(axis=1)) & ~miss
    support = np.bincount(ties.point[good], minlength=len(state.position))
    gap = np.abs(state.position[anchors.mark] - anchors.place)
    support[anchors.mark[np.flatnonzero(gap <= 3.0 * CONTROL_TOLERANCE)]] += 1
    setups, plan = len(state.axis), ties.plan
    agreeing = np.bincount(ties.setup[good], minlength=setups)
    missing = np.bincount(ties.setup[miss], minlength=setups)
    axis, orientation, position = state.axis.copy(), state.orientation.copy(), state.position.copy()
    changed = False
    # two places have at most one mark in common: a better one needs as many that miss now
    for setup in np.flatnonzero((missing > 0) & (missing >= agreeing)).tolist():
        rows = np.flatnonzero(ties.setup == setup)
        others = support[ties.point[rows]] - good[rows] > 0
        told = rows[others]
        pose = _better_pose(state, ties.take(told), int(within[told].sum()))
        if pose is None:
            continue
        alone = rows[~others & np.isfinite(plan[rows])]
        axis[setup], orientation[setup] = pose[1], np.angle(pose[0])
        position[ties.point[alone]] = pose[0] * plan[alone] + pose[1]
        changed = True
    return PlanState(axis, orientation, position) if changed else None


def _better_pose(state: PlanState, ties: Ties, agreeing: int) -> Pose | None:
    """Return turn and place of a setup that more than ``agreeing`` observations support."""
    place, plan = state.position[ties.point], ties.plan
    full = np.isfinite(plan)
    tied = ties.take(full)
    found = []
    fit = consensus(tied.point, place[full], plan[full], tied.tolerance)
    if fit is not None and fit.chance <= LIKELY_ACCIDENT:
        found.append((fit.redundancy, fit.turn, fit.shift))
    pairs = zip(ties.point.tolist(), place.tolist(), strict=True)
    known = {mark: (where, 0.0) for mark, where in pairs}
    placed = place_setup(gather(ties, np.arange(len(ties)), known))
    if placed is not None and placed.chance <= LIKELY_ACCIDENT and not placed.turn_open:
        found.append((placed.redundancy, placed.turn, placed.station))
    best = max(found, key=lambda entry: entry[0], default=(-1, 1.0 + 0.0j, 0.0j))
    return best[1:] if best[0] + OWN > agreeing else None


def _marks_again(state: PlanState, ties: Ties, anchors: Anchors) -> PlanState | None:
    """Place marks that miss where most directions and distances agree."""
    misfit = plan_misfits(state, ties)
    missing = np.unique(ties.point[(misfit > 1.0).any(axis=1)])
    rows = np.flatnonzero(np.isin(ties.point, missing))
    rows = rows[np.argsort(ties.point[rows], kind="stable")]
    groups = np.split(rows, np.searchsorted(ties.point[rows], missing))[1:]
    known = dict(zip(anchors.mark.tolist(), anchors.place.tolist(), strict=True))
    world = state.axis[ties.setup] + np.exp(1j * state.orientation[ties.setup]) * ties.plan
    position = state.position.copy()
    for mark, group in zip(missing.tolist(), groups, strict=True):
        here = state.position[mark]
        places = np.concatenate([[here], world[group], [known[mark]] if mark in known else []])
        places = places[np.isfinite(places)]
        votes = _votes(places, state, ties.take(group), known.get(mark))
        if votes.max() > votes[0]:
            position[mark] = places[np.argmax(votes)]
    if np.array_equal(position, state.position, equal_nan=True):
        return None
    return PlanState(state.axis, state.orientation, position)


def _votes(places: ComplexArray, state: PlanState, ties: Ties, known: complex | None) -> FloatArray:
    """Return how many observations of one mark agree with each of the places, shape (h,).

    Control has one vote and a half for each coordinate, as much as it weighs in growing.
    """
    ray = places[:, None] - state.axis[ties.setup]
    length = np.abs(ray)
    turned = ray * np.exp(-1j * (ties.direction + state.orientation[ties.setup]))
    across = (turned.real > 0.0) & (np.abs(turned.imag) <= PLAIN + ties.sharp * length)
    along = np.abs(length - ties.horizontal) <= ties.along
    votes = across.sum(axis=1) + np.where(ties.sight < 0, 2, 1) @ along.T
    if known is not None:
        near = np.abs(places - known) <= PLAIN + CONTROL_TOLERANCE
        votes = votes + 2.0 * CONTROL_WEIGHT * near
    return np.asarray(votes, dtype=np.float64)
