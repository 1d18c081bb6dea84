"""Look again at setups and marks that miss, once everything stands.

Growing by the strongest join is not always right at once: a setup or a mark may have been
placed by a mistake before the sights that contradict it came in. It is moved when more of
what sees it agrees at another place.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.network.block_growth import LIKELY_ACCIDENT, Pose
from tieup.network.horizontal_blocks import (
    CONTROL_TOLERANCE,
    CONTROL_WEIGHT,
    NOWHERE,
    HorizontalControl,
    HorizontalState,
)
from tieup.network.placing import OWN, gather, place_setup
from tieup.network.polar_sets import PLAIN, Ties
from tieup.network.rigid import ComplexArray, consensus
from tieup.network.tie_equations import plan_misfits

MOST_NEIGHBOURS = 32  # sights of one mark that each sight is compared with
TENTH = 0.1  # of a vote
MARGIN = 1e-3  # votes; less is rounding


def look_again(
    state: HorizontalState, ties: Ties, anchors: HorizontalControl
) -> HorizontalState | None:
    """Return the state with better places of setups and marks that miss, or None."""
    setups = _setups_again(state, ties, anchors)
    marks = _marks_again(state if setups is None else setups, ties, anchors)
    return setups if marks is None else marks


def _setups_again(
    state: HorizontalState, ties: Ties, anchors: HorizontalControl
) -> HorizontalState | None:
    """Place setups on what the others say of their marks, where most of it contradicts."""
    plan, world = ties.plan, _world(state, ties)
    agreeing, contested = _heard(ties, world, anchors)
    setups = len(state.axis)
    for_it = np.bincount(ties.setup[agreeing], minlength=setups)
    against = np.bincount(ties.setup[contested], minlength=setups)
    axis, orientation, position = state.axis.copy(), state.orientation.copy(), state.position.copy()
    changed = False
    # two places have at most one mark in common: a better one needs as many that contradict now
    for setup in np.flatnonzero((against > 0) & (against >= for_it)).tolist():
        rows = np.flatnonzero(ties.setup == setup)
        others = _others(setup, ties.point[rows], ties, world, anchors)
        pose = _by_cloud(rows, plan, world, ties, others) or _by_parts(rows, state, ties, others)
        if pose is None:
            continue
        alone = [row for row in rows.tolist() if int(ties.point[row]) not in others]
        axis[setup], orientation[setup] = pose[1], np.angle(pose[0])
        position[ties.point[alone]] = pose[0] * plan[alone] + pose[1]
        changed = True
    return HorizontalState(axis, orientation, position) if changed else None


def _heard(
    ties: Ties, world: ComplexArray, anchors: HorizontalControl
) -> tuple[BoolArray, BoolArray]:
    """Tell which ties (r,) another setup or control agrees with, and which only contradict."""
    control = np.full(int(max(ties.point.max(initial=0), anchors.mark.max(initial=0))) + 1, NOWHERE)
    control[anchors.mark] = anchors.place
    near = ties.tolerance
    gap = np.abs(world - control[ties.point])
    agreeing, heard = gap <= near + CONTROL_TOLERANCE, np.isfinite(gap)
    rows = np.flatnonzero(np.isfinite(world))
    rows = rows[np.argsort(ties.point[rows], kind="stable")]
    for lag in range(1, MOST_NEIGHBOURS):
        one, two = rows[:-lag], rows[lag:]
        same = ties.point[one] == ties.point[two]
        if not same.any():
            break
        one, two = one[same], two[same]
        apart = ties.setup[one] != ties.setup[two]
        one, two = one[apart], two[apart]
        within = np.abs(world[one] - world[two]) <= np.hypot(near[one], near[two])
        for end in (one, two):
            heard[end] = True
            agreeing[end[within]] = True
    return np.asarray(agreeing), np.asarray(heard & ~agreeing)


def _world(state: HorizontalState, ties: Ties) -> ComplexArray:
    """Return where each tie alone puts its mark (r,), NaN where it does not."""
    world: ComplexArray = state.axis[ties.setup] + ties.plan * np.exp(
        1j * ties.turn(state.orientation)
    )
    return world


def _others(
    setup: int, marks: IntArray, ties: Ties, world: ComplexArray, anchors: HorizontalControl
) -> dict[int, list[tuple[complex, float, float]]]:
    """Return where other setups and control put some marks: place, tolerance, weight."""
    rows = np.flatnonzero(np.isin(ties.point, marks) & (ties.setup != setup) & np.isfinite(world))
    found: dict[int, list[tuple[complex, float, float]]] = {}
    near = ties.take(rows).tolerance
    for mark, where, within in zip(
        ties.point[rows].tolist(), world[rows].tolist(), near.tolist(), strict=True
    ):
        found.setdefault(mark, []).append((where, within, 1.0))
    for mark, where in zip(anchors.mark.tolist(), anchors.place.tolist(), strict=True):
        if mark in marks:
            found.setdefault(mark, []).append((where, CONTROL_TOLERANCE, CONTROL_WEIGHT))
    return found


def _by_cloud(
    rows: IntArray,
    plan: ComplexArray,
    world: ComplexArray,
    ties: Ties,
    others: dict[int, list[tuple[complex, float, float]]],
) -> Pose | None:
    """Return the pose that more marks support than the present one, among all rival places."""
    full = rows[np.isfinite(plan[rows])]
    tied = ties.take(full)
    own = zip(tied.point.tolist(), plan[full], world[full], tied.tolerance, strict=True)
    table = [
        (mark, where, local, here, float(np.hypot(near, within)), weight)
        for mark, local, here, near in own
        for where, within, weight in others.get(mark, [])
    ]
    if not table:
        return None
    mark, where, local, here, near, weight = (
        np.array(column) for column in zip(*table, strict=True)
    )
    present = len(set(mark[np.abs(here - where) <= near].tolist()))
    fit = consensus(mark, where, local, near, weight)
    if fit is None or fit.chance > LIKELY_ACCIDENT or (fit.redundancy + 3) // 2 <= present:
        return None
    return fit.turn, fit.shift


def _by_parts(
    rows: IntArray,
    state: HorizontalState,
    ties: Ties,
    others: dict[int, list[tuple[complex, float, float]]],
) -> Pose | None:
    """Return the pose that more single observations support than the present one."""
    known = {mark: (complex(state.position[mark]), 0.0) for mark in others}
    seen = gather(ties, rows, known)
    placed = place_setup(seen)
    if placed is None or placed.turn_open or placed.chance > LIKELY_ACCIDENT:
        return None
    told = ties.take(rows[np.isin(ties.point[rows], list(others))])
    present = int(np.count_nonzero(plan_misfits(state, told) <= 1.0))
    return (placed.turn, placed.station) if placed.redundancy + OWN > present else None


def _marks_again(
    state: HorizontalState, ties: Ties, anchors: HorizontalControl
) -> HorizontalState | None:
    """Place marks that miss where most directions and distances agree.

    Of equals, the place of the setup that the others contradict least in the rest.
    """
    misfit = plan_misfits(state, ties)
    missing = np.unique(ties.point[(misfit > 1.0).any(axis=1)])
    rows = np.flatnonzero(np.isin(ties.point, missing))
    rows = rows[np.argsort(ties.point[rows], kind="stable")]
    groups = np.split(rows, np.searchsorted(ties.point[rows], missing))[1:]
    known = dict(zip(anchors.mark.tolist(), anchors.place.tolist(), strict=True))
    world = _world(state, ties)
    credit = _credit(ties, world, anchors, len(state.axis))
    position, near = state.position.copy(), ties.tolerance
    for mark, group in zip(missing.tolist(), groups, strict=True):
        here = state.position[mark]
        group = group[np.lexsort((near[group], ~np.isfinite(world[group])))]  # nearest first
        places = np.concatenate([[here], world[group], [known[mark]] if mark in known else []])
        places = places[np.isfinite(places)]
        votes = _votes(places, state, ties.take(group), credit, known.get(mark))
        best = int(np.flatnonzero(votes > votes.max() - MARGIN)[0])
        if votes[best] > votes[0] + MARGIN:
            position[mark] = places[best]
    if np.array_equal(position, state.position, equal_nan=True):
        return None
    return HorizontalState(state.axis, state.orientation, position)


def _credit(ties: Ties, world: ComplexArray, anchors: HorizontalControl, setups: int) -> FloatArray:
    """Return the share of each setup's contested and agreeing marks that agree, shape (S,)."""
    agreeing, contested = _heard(ties, world, anchors)
    for_it = np.bincount(ties.setup[agreeing], minlength=setups)
    against = np.bincount(ties.setup[contested], minlength=setups)
    return np.asarray((for_it + 1.0) / (for_it + against + 2.0))


def _votes(
    places: ComplexArray,
    state: HorizontalState,
    ties: Ties,
    credit: FloatArray,
    known: complex | None,
) -> FloatArray:
    """Return how many observations of one mark agree with each of the places, shape (h,).

    Control has one vote and a half for each coordinate, as much as it weighs in growing;
    the credit of a setup (0-1) adds a tenth of a vote at most.
    """
    ray = places[:, None] - state.axis[ties.setup]
    length = np.abs(ray)
    turned = ray * np.exp(-1j * (ties.direction + ties.turn(state.orientation)))
    across = (turned.real > 0.0) & (np.abs(turned.imag) <= PLAIN + ties.sharp * length)
    along = np.abs(length - ties.horizontal) <= ties.along
    weight = 1.0 + TENTH * credit[ties.setup]
    votes = across @ weight + along @ (weight * np.where(ties.sight < 0, 2, 1))
    if known is not None:
        near = np.abs(places - known) <= PLAIN + CONTROL_TOLERANCE
        votes = votes + 2.0 * CONTROL_WEIGHT * near
    return np.asarray(votes, dtype=np.float64)
