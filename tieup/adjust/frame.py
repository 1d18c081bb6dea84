"""Solve one problem in its frame.

What control leaves open is closed first by letting unknowns of one setup stand still;
the solution is then moved as a whole into the wanted frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.datum import (
    Anchors,
    Conditions,
    Motions,
    free_motions,
    inner_conditions,
    minimal_hold,
    pieces,
    shift_to_frame,
)
from tieup.adjust.elimination import Eliminated, Held
from tieup.adjust.iterate import Equations, Evaluation, State, iterate, make_equations, start_state
from tieup.adjust.problem import Problem
from tieup.adjust.structure import Structure, find_aside, make_structure
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.settings import Precision

IN_FRAME = 1e-7  # m; the frame's conditions are met this well
FRAME_ROUNDS = 6


@dataclass(frozen=True)
class Solution:
    """A problem solved, before anything is said about precision.

    ``aside`` (a,) are the connections that took no part because nothing checks their
    points. ``motions`` and ``conditions`` are the datum at the solution.
    """

    equations: Equations
    aside: IntArray
    state: State
    evaluation: Evaluation
    system: Eliminated
    iterations: int
    motions: Motions
    conditions: Conditions


def solve_problem(problem: Problem, precision: Precision, refraction: float) -> Solution:
    """Solve ``problem`` in its frame; points that nothing checks are left aside.

    Raises
    ------
    AdjustmentError
        When the iteration does not settle.
    UndeterminedMarkError, UndeterminedSetupError
        Where the observations do not determine an unknown.
    """
    is_aside = _aside_points(problem)[problem.connections.point]
    chosen, aside = np.flatnonzero(~is_aside), np.flatnonzero(is_aside)
    anchors = _anchors(problem, chosen, aside)
    start = start_state(problem.network)
    motions = free_motions(start.axis, start.position, anchors)
    held = minimal_hold(motions, Held(problem.held_setup, problem.held_point))
    equations = make_equations(problem, chosen, held, precision, refraction)
    return _into_frame(equations, _structure(equations), aside, anchors)


def _aside_points(problem: Problem) -> BoolArray:
    """Return the mask (P,) of points that nothing checks."""
    network, frame = problem.network, problem.frame
    bound = (problem.weight > 0).any(axis=1) | frame.datum_points
    bound[network.links.start[problem.links]] = True
    bound[network.links.end[problem.links]] = True
    if frame.local is not None:
        bound[frame.local.toward] = True
        if not frame.local.is_setup:
            bound[frame.local.point] = True
    observed = _count(np.isfinite(problem.connections.value))
    return find_aside(problem.connections.point, observed, _count(~problem.held_point), bound)


def _count(flags: BoolArray) -> IntArray:
    """Count the True of each row (n, 3), column by column because that is faster."""
    return flags[:, 0].astype(np.int64) + flags[:, 1] + flags[:, 2]


def _structure(equations: Equations) -> Structure:
    start = start_state(equations.problem.network)
    return make_structure(
        equations.connections.setup,
        equations.connections.point,
        np.column_stack([equations.links.start, equations.links.end]),
        start.axis[:, :2],
        start.position[:, :2],
    )


def _anchors(problem: Problem, chosen: IntArray, aside: IntArray) -> Anchors:
    """Find what is bound, and the pieces: of ``chosen`` connections, then what hangs aside."""
    network, connections = problem.network, problem.connections
    links = np.column_stack([network.links.start, network.links.end])[problem.links]
    ends = connections.setup[chosen], connections.point[chosen]
    setup, point = pieces(*ends, links, len(network.setup_labels), len(network.point_names))
    point[connections.point[aside]] = setup[connections.setup[aside]]
    reached = np.zeros(len(point), dtype=bool)
    reached[connections.point] = True
    reached[links] = True
    bound = problem.held_point | (problem.weight > 0)
    bound[:, :2] &= network.start.plan_point[:, None]  # a stand-in resists nothing
    return Anchors(
        np.array(np.nonzero(problem.held_setup & problem.solved_setup[:, None])),
        np.array(np.nonzero(bound & problem.solved_point[:, None])),
        np.where(problem.solved_setup, setup, -1),
        np.where(problem.solved_point & reached, point, -1),
    )


def _conditions(problem: Problem, motions: Motions) -> Conditions:
    """Return the frame's conditions: of the local frame, else inner constraints."""
    local = problem.frame.local
    if local is None:
        return inner_conditions(motions, problem.frame.datum_points)
    frame = problem.frame
    setup = np.zeros((*motions.setup.shape[:2], 4))
    point = np.zeros((*motions.point.shape[:2], 4))
    stay, reference = (setup, frame.reference_axis) if local.is_setup else (point, frame.reference)
    stay[local.point, [0, 1, 2], [0, 1, 2]] = 1.0
    north, east = frame.reference[local.toward, :2] - reference[local.point, :2]
    point[local.toward, :2, 3] = [-east, north]
    stay[local.point, :2, 3] = [east, -north]
    held = problem.held_setup if local.is_setup else problem.held_point
    columns = [0, 1, 3] if held[local.point, 2] else [0, 1, 2, 3]
    if not len(problem.network.setup_labels):
        columns = [2]  # level runs alone have nothing but a height
    return Conditions(setup[:, :, columns], point[:, :, columns])


def _into_frame(
    equations: Equations, structure: Structure, aside: IntArray, anchors: Anchors
) -> Solution:
    """Solve with a setup standing still, then move the whole into the frame, until both hold."""
    problem = equations.problem
    frame, state, total = problem.frame, start_state(problem.network), 0
    axis, position = np.nan_to_num(frame.reference_axis), np.nan_to_num(frame.reference)
    for _ in range(FRAME_ROUNDS):
        state, evaluation, system, count = iterate(equations, structure, state)
        total += count
        motions = free_motions(state.axis, state.position, anchors)
        conditions = _conditions(problem, motions)
        if not closes(motions, conditions):
            break
        away = np.column_stack([state.axis - axis, np.zeros(len(axis))])
        amount = shift_to_frame(motions, conditions, away, state.position - position)
        setup, point = motions.setup @ amount, motions.point @ amount
        state = state.moved(setup, point)
        if max(np.abs(setup[:, :3]).max(initial=0.0), np.abs(point).max(initial=0.0)) < IN_FRAME:
            break
    return Solution(equations, aside, state, evaluation, system, total, motions, conditions)


def closes(motions: Motions, conditions: Conditions) -> bool:
    """Say whether there are free motions and the conditions take up every one of them."""
    if motions.count == 0 or conditions.setup.shape[2] != motions.count:
        return False
    matrix = np.einsum("suq,sum->qm", conditions.setup, motions.setup)
    matrix += np.einsum("puq,pum->qm", conditions.point, motions.point)
    return bool(np.linalg.matrix_rank(matrix) == motions.count)
