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
from tieup.adjust.equations import Connections
from tieup.adjust.evaluation import Equations, Evaluation, State, make_equations, start_state
from tieup.adjust.iterate import iterate
from tieup.adjust.problem import Frame, Problem
from tieup.adjust.structure import find_aside
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.settings import Precision

IN_FRAME = 1e-7  # m; the frame's conditions are met this well
FRAME_ROUNDS = 6


@dataclass(frozen=True)
class Solution:
    """A problem solved, before anything is said about precision.

    ``connections`` (c,) took part; ``aside`` (a,) did not because nothing checks their points.
    ``held`` are the unknowns that stood still, ``motions`` and ``conditions`` the datum at the
    solution.
    """

    problem: Problem
    connections: Connections
    aside: Connections
    held: Held
    equations: Equations
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
    connections = problem.connections.take(~is_aside)
    aside = problem.connections.take(is_aside)
    anchors = _anchors(problem, connections, aside)
    state = start_state(problem.network)
    motions = free_motions(state.axis, state.position, anchors)
    held = minimal_hold(motions, Held(problem.held_setup, problem.held_point))
    equations = make_equations(problem, connections, held, state, precision, refraction)
    marks, total = equations.structure.marks, 0
    for _ in range(FRAME_ROUNDS):
        inner, evaluation, system, count = iterate(equations, state.of(marks))
        state, total = state.updated(marks, inner), total + count
        motions = free_motions(state.axis, state.position, anchors)
        conditions = _conditions(problem, motions)
        if not closes(motions, conditions):
            break
        setup, point = _shift(problem.frame, state, motions, conditions)
        state = state.moved(setup, point)
        if max(np.abs(setup[:, :3]).max(initial=0.0), np.abs(point).max(initial=0.0)) < IN_FRAME:
            break
    return Solution(
        problem,
        connections,
        aside,
        held,
        equations,
        state,
        evaluation,
        system,
        total,
        motions,
        conditions,
    )


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


def _anchors(problem: Problem, connections: Connections, aside: Connections) -> Anchors:
    """Find what is bound, and the pieces: of the connections, then what hangs aside."""
    network = problem.network
    links = np.column_stack([network.links.start, network.links.end])[problem.links]
    ends = connections.setup, connections.point
    setup, point = pieces(*ends, links, len(network.setup_labels), len(network.point_names))
    point[aside.point] = setup[aside.setup]
    reached = np.zeros(len(point), dtype=bool)
    for some in (connections.point, aside.point, links):
        reached[some] = True
    bound = problem.held_point | (problem.weight > 0)
    bound[:, :2] &= network.start.plan_point[:, None]  # a stand-in resists nothing
    return Anchors(
        np.array(np.nonzero(problem.held_setup & problem.solved_setup[:, None])),
        np.array(np.nonzero(bound & problem.solved_point[:, None])),
        np.where(problem.solved_setup, setup, -1),
        np.where(problem.solved_point & reached, point, -1),
        links.ravel(),
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


def _shift(
    frame: Frame, state: State, motions: Motions, conditions: Conditions
) -> tuple[FloatArray, FloatArray]:
    """Return the motion of setups (S, 4) and points (P, 3) that leads into the frame."""
    axis = state.axis - np.nan_to_num(frame.reference_axis)
    position = state.position - np.nan_to_num(frame.reference)
    away = np.column_stack([axis, np.zeros(len(axis))])
    amount = shift_to_frame(motions, conditions, away, position)
    return motions.setup @ amount, motions.point @ amount


def closes(motions: Motions, conditions: Conditions) -> bool:
    """Say whether there are free motions and the conditions take up every one of them."""
    if motions.count == 0 or conditions.setup.shape[2] != motions.count:
        return False
    matrix = np.einsum("suq,sum->qm", conditions.setup, motions.setup)
    matrix += np.einsum("puq,pum->qm", conditions.point, motions.point)
    return bool(np.linalg.matrix_rank(matrix) == motions.count)
