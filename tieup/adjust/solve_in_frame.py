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
from tieup.adjust.evaluation import Equations, Evaluation, Unknowns, make_equations, start_state
from tieup.adjust.iterate import iterate
from tieup.adjust.mark_elimination import Structure, find_aside, make_structure
from tieup.adjust.observation_equations import Connections
from tieup.adjust.problem import Frame, Problem
from tieup.adjust.turn_border import Columns
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.link_kinds import of_kind
from tieup.model.observations import DIRECTION
from tieup.model.settings import Precision

IN_FRAME = 1e-7  # m; the frame's conditions are met this well
FRAME_ROUNDS = 6


@dataclass(frozen=True)
class Solution:
    """A problem solved, before anything is said about precision.

    ``connections`` (c,) took part; ``aside`` (a,) did not because nothing checks their points.
    ``motions`` and ``conditions`` are the datum at the solution, of setups and marks.
    """

    problem: Problem
    connections: Connections
    aside: Connections
    equations: Equations
    state: Unknowns
    evaluation: Evaluation
    system: Eliminated
    iterations: int
    motions: Motions
    conditions: Conditions


def solve_problem(problem: Problem, precision: Precision, refraction: float) -> Solution:
    """Solve ``problem`` in its frame; points that nothing checks are left aside.

    Raises
    ------
    UnsettledError
        When the iteration does not settle.
    UndeterminedMarkError, UndeterminedSetupError, UndeterminedTurnError
        Where the observations do not determine an unknown.
    """
    is_aside = _aside_points(problem)[problem.connections.point]
    connections = problem.connections.take(~is_aside)
    state = start_state(problem.network)
    structure = _structure(problem, connections, state)
    marks, total = structure.marks, 0
    inner = state.of(marks)
    anchors = _anchors(problem, structure, connections)
    motions = free_motions(inner.axis, inner.position, anchors)
    held = minimal_hold(motions, Held(problem.held_setup, problem.held_point[marks]))
    equations = make_equations(problem, structure, connections, held, inner, precision, refraction)
    for _ in range(FRAME_ROUNDS):
        inner, evaluation, system, count = iterate(equations, inner)
        total += count
        motions = free_motions(inner.axis, inner.position, anchors)
        conditions = _conditions(problem, marks, motions)
        if not closes(motions, conditions):
            break
        by = _shift(problem.frame, marks, inner, motions, conditions)
        inner = inner.moved(by)
        far = max(np.abs(by.setup[:, :3]).max(initial=0.0), np.abs(by.mark).max(initial=0.0))
        if far < IN_FRAME:
            break
    return Solution(
        problem,
        connections,
        problem.connections.take(is_aside),
        equations,
        state.updated(marks, inner),
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
    # An azimuth says which way is north: where that is open, it is more than a polar point.
    bound[problem.connections.point[problem.connections.azimuth]] = True
    if frame.local is not None:
        bound[frame.local.toward] = True
        if not frame.local.is_setup:
            bound[frame.local.point] = True
    observed = _count(np.isfinite(problem.connections.value))
    return find_aside(problem.connections.point, observed, _count(~problem.held_point), bound)


def _count(flags: BoolArray) -> IntArray:
    """Count the True of each row (n, 3), column by column because that is faster."""
    return flags[:, 0].astype(np.int64) + flags[:, 1] + flags[:, 2]


def _structure(problem: Problem, connections: Connections, state: Unknowns) -> Structure:
    """Plan the elimination of what takes part."""
    links, taken = problem.network.links, problem.links
    ends = np.column_stack([links.start[taken], links.end[taken]])
    place = state.axis[:, :2], state.position[:, :2]
    pairs = problem.prior.pairs
    return make_structure(connections.setup, connections.point, ends, *place, pairs)


def _anchors(problem: Problem, structure: Structure, connections: Connections) -> Anchors:
    """Find what is bound among setups and marks, and the connected pieces."""
    marks, setups = structure.marks, structure.setups
    setup, mark = pieces(structure.setup, structure.mark, structure.linked, setups, len(marks))
    bound = problem.held_point[marks] | (problem.weight[marks] > 0)
    bound[:, :2] &= problem.network.start.plan_point[marks, None]  # a stand-in resists nothing
    vectors = of_kind(problem.network.links.kind[problem.links], "is_vector")
    stuck = problem.held_setup & problem.solved_setup[:, None]
    stuck[:, 3] &= problem.turned  # an orientation that nothing shows resists nothing
    aligned = connections.azimuth & np.isfinite(connections.value[:, DIRECTION])
    true = aligned & (connections.basis < 0)
    based = connections.take(aligned & ~true)
    return Anchors(
        np.array(np.nonzero(stuck)),
        np.array(np.nonzero(bound)),
        np.where(problem.solved_setup, setup, -1),
        mark,
        frozenset(mark[structure.linked[vectors, 0]].tolist())
        | frozenset(setup[connections.setup[true]].tolist()),
        tuple(
            tuple(np.unique(setup[based.setup[based.basis == number]]).tolist())
            for number in range(problem.network.sights.bases)
        ),
    )


def _conditions(problem: Problem, marks: IntArray, motions: Motions) -> Conditions:
    """Return the frame's conditions: of the local frame, else inner constraints."""
    frame, local = problem.frame, problem.frame.local
    if local is None:
        return inner_conditions(motions, frame.datum_points[marks])
    setup = np.zeros((*motions.setup.shape[:2], 4))
    mark = np.zeros((*motions.point.shape[:2], 4))
    own = np.array([local.point]) if local.is_setup else np.flatnonzero(marks == local.point)
    toward = np.flatnonzero(marks == local.toward)
    if not len(own) or not len(toward):  # nobody sighted it
        return Conditions(setup[:, :, :0], mark[:, :, :0])
    stay, reference = (setup, frame.reference_axis) if local.is_setup else (mark, frame.reference)
    stay[own[0], [0, 1, 2], [0, 1, 2]] = 1.0
    north, east = frame.reference[local.toward, :2] - reference[local.point, :2]
    mark[toward[0], :2, 3] = [-east, north]
    stay[own[0], :2, 3] = [east, -north]
    held = problem.held_setup if local.is_setup else problem.held_point
    columns = [0, 1, 3] if held[local.point, 2] else [0, 1, 2, 3]
    if not len(problem.network.setup_labels):
        columns = [2]  # level runs alone have nothing but a height
    return Conditions(setup[:, :, columns], mark[:, :, columns])


def _shift(
    frame: Frame, marks: IntArray, state: Unknowns, motions: Motions, conditions: Conditions
) -> Columns:
    """Return the motion that leads into the frame, as one column."""
    axis = state.axis - np.nan_to_num(frame.reference_axis)
    position = state.position - np.nan_to_num(frame.reference[marks])
    away = np.column_stack([axis, np.zeros(len(axis))])
    amount = shift_to_frame(motions, conditions, away, position)
    return Columns(*(moved @ amount[:, None] for moved in motions.columns))


def closes(motions: Motions, conditions: Conditions) -> bool:
    """Say whether there are free motions and the conditions take up every one of them."""
    if motions.count == 0 or conditions.setup.shape[2] != motions.count:
        return False
    matrix = np.einsum("suq,sum->qm", conditions.setup, motions.setup)
    matrix += np.einsum("puq,pum->qm", conditions.point, motions.point)
    return bool(np.linalg.matrix_rank(matrix) == motions.count)
