"""The adjustment of one network in one frame: the room's front door."""

from __future__ import annotations

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.aside import compute_aside
from tieup.adjust.datum import (
    Conditions,
    Motions,
    Transfer,
    free_motions,
    inner_conditions,
    make_transfer,
    minimal_hold,
    pieces,
    rigid_motions,
    shift_to_frame,
)
from tieup.adjust.elimination import DependentUnknownError, Eliminated, Held, UndeterminedMarkError
from tieup.adjust.iterate import Equations, Evaluation, State, iterate, make_equations, start_state
from tieup.adjust.problem import Frame, Problem, make_problem
from tieup.adjust.reliability import Spread, spread
from tieup.adjust.solution import Adjustment, Aside
from tieup.adjust.structure import Structure, find_aside, make_structure
from tieup.adjust.weights import connection_sd
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Network
from tieup.model.settings import Precision
from tieup.threads import one_thread

IN_FRAME = 1e-7  # m; the frame's conditions are met this well
FRAME_ROUNDS = 6


def adjust(network: Network, precision: Precision, refraction: float, frame: Frame) -> Adjustment:
    """Adjust ``network`` in ``frame``; leave out, and name, what is not determined.

    Parameters
    ----------
    network, precision
        Observations with start values; stated standard deviations.
    refraction
        Coefficient k.
    frame
        See `tieup.adjust.problem`.

    Raises
    ------
    AdjustmentError
        When the iteration does not settle.
    """
    without_setup = np.zeros(len(network.setup_labels), dtype=bool)
    without_point = np.zeros(len(network.point_names), dtype=bool)
    with one_thread():
        while True:
            problem = make_problem(network, frame, without_setup, without_point)
            try:
                return _solve(problem, precision, refraction, without_setup, without_point)
            except UndeterminedMarkError as error:
                without_point[error.point] = True
            except _UndeterminedSetupError as error:
                without_setup[error.setup] = True


class _UndeterminedSetupError(Exception):
    def __init__(self, setup: int) -> None:
        self.setup = setup


def _solve(
    problem: Problem,
    precision: Precision,
    refraction: float,
    without_setup: BoolArray,
    without_point: BoolArray,
) -> Adjustment:
    aside_point = _aside_points(problem)
    is_aside = aside_point[problem.connections.point]
    motions = _defect(problem, start_state(problem.network))
    held = minimal_hold(motions, Held(problem.held_setup, problem.held_point))
    chosen = np.flatnonzero(~is_aside)
    equations = make_equations(problem, chosen, held, precision, refraction)
    structure = _structure(equations)
    try:
        state, evaluation, system, count, motions, conditions = _into_frame(
            equations, structure, problem
        )
    except DependentUnknownError as error:
        raise _undetermined(error, structure) from None
    transfer = _transfer(system, motions, conditions, held)
    spreads = spread(system, evaluation.rows, equations.connections.setup, len(aside_point))
    aside, at = _aside(problem, precision, refraction, state, np.flatnonzero(is_aside))
    state.position[aside.connections.point] = at
    solved = (equations, state, evaluation, system, count)
    return _gather(solved, transfer, spreads, aside, (without_setup, without_point))


def _undetermined(error: DependentUnknownError, structure: Structure) -> Exception:
    if error.node < structure.setups:
        return _UndeterminedSetupError(error.node)
    return UndeterminedMarkError(int(structure.kept[error.node - structure.setups]))


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
    observed = np.isfinite(problem.connections.value).sum(axis=1)
    free = (~problem.held_point).sum(axis=1)
    return find_aside(problem.connections.point, observed, free, bound)


def _structure(equations: Equations) -> Structure:
    network = equations.problem.network
    start = start_state(network)
    ends = np.column_stack([equations.links.start, equations.links.end])
    return make_structure(
        equations.connections.setup,
        equations.connections.point,
        ends.reshape(-1, 2),
        start.axis[:, :2],
        start.position[:, :2],
    )


def _defect(problem: Problem, state: State) -> Motions:
    """Return the free motions of every solved piece at ``state``."""
    network, connections = problem.network, problem.connections
    links = np.column_stack([network.links.start, network.links.end])[problem.links]
    piece_setup, piece_point = pieces(
        connections.setup,
        connections.point,
        links.reshape(-1, 2),
        len(network.setup_labels),
        len(network.point_names),
    )
    return free_motions(
        rigid_motions(state.axis, state.position),
        problem.held_setup & problem.solved_setup[:, None],
        (problem.held_point | (problem.weight > 0)) & problem.solved_point[:, None],
        np.where(problem.solved_setup, piece_setup, -1),
        np.where(problem.solved_point, piece_point, -1),
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
    return Conditions(setup[:, :, columns], point[:, :, columns])


def _into_frame(
    equations: Equations, structure: Structure, problem: Problem
) -> tuple[State, Evaluation, Eliminated, int, Motions, Conditions]:
    """Solve with a setup standing still, then move the whole into the frame, until both hold."""
    frame, state, total = problem.frame, start_state(problem.network), 0
    axis, position = np.nan_to_num(frame.reference_axis), np.nan_to_num(frame.reference)
    for _ in range(FRAME_ROUNDS):
        state, evaluation, system, count = iterate(equations, structure, state)
        total += count
        motions = _defect(problem, state)
        conditions = _conditions(problem, motions)
        if not _closes(motions, conditions):
            break
        away = np.column_stack([state.axis - axis, np.zeros(len(axis))])
        amount = shift_to_frame(motions, conditions, away, state.position - position)
        setup, point = motions.setup @ amount, motions.point @ amount
        state = state.moved(setup, point)
        if max(np.abs(setup[:, :3]).max(initial=0.0), np.abs(point).max(initial=0.0)) < IN_FRAME:
            break
    return state, evaluation, system, total, motions, conditions


def _closes(motions: Motions, conditions: Conditions) -> bool:
    """Say whether there are free motions and the conditions take up every one of them."""
    if motions.count == 0 or conditions.setup.shape[2] != motions.count:
        return False
    matrix = np.einsum("suq,sum->qm", conditions.setup, motions.setup)
    matrix += np.einsum("puq,pum->qm", conditions.point, motions.point)
    return bool(np.linalg.matrix_rank(matrix) == motions.count)


def _transfer(system: Eliminated, motions: Motions, conditions: Conditions, held: Held) -> Transfer:
    """Return the covariance transfer into the frame; none where the datum is control's."""
    if not _closes(motions, conditions):
        none = Motions(motions.setup[:, :, :0], motions.point[:, :, :0])
        return Transfer(none, none.setup, none.point)
    weighted = elimination.solve(
        system,
        np.where(held.setup[:, :, None], 0.0, conditions.setup),
        np.where(held.point[:, :, None], 0.0, conditions.point),
    )
    return make_transfer(motions, conditions, weighted)


def _aside(
    problem: Problem, precision: Precision, refraction: float, state: State, chosen: IntArray
) -> tuple[Aside, FloatArray]:
    connections = problem.connections.take(chosen)
    sights = problem.network.sights
    sd = connection_sd(connections, sights, precision, state.axis, state.position)
    return compute_aside(
        connections, sd, state, problem.held_point, curvature_coefficient(refraction)
    )


def _gather(
    solved: tuple[Equations, State, Evaluation, Eliminated, int],
    transfer: Transfer,
    spreads: Spread,
    aside: Aside,
    without: tuple[BoolArray, BoolArray],
) -> Adjustment:
    """Put the result together: undo the whitening, carry covariances into the frame."""
    equations, state, evaluation, system, count = solved
    problem, connections = equations.problem, equations.connections
    observed = np.isfinite(connections.value)
    redundancy = 1.0 - np.diagonal(spreads.leverage, axis1=1, axis2=2)
    setup_covariance, point_covariance = _covariances(equations, spreads, transfer, aside)
    weighted = problem.weight > 0
    control_leverage = problem.weight * np.diagonal(spreads.point, axis1=1, axis2=2)
    free = int((~equations.held.setup).sum()) + _free_components(equations, observed)
    count_observed = int(observed.sum()) + int(weighted.sum()) + len(problem.links)
    return Adjustment(
        problem=problem,
        axis=np.where(problem.solved_setup[:, None], state.axis, np.nan),
        orientation=np.where(problem.solved_setup, state.orientation, np.nan),
        position=np.where(problem.solved_point[:, None], state.position, np.nan),
        setup_covariance=setup_covariance,
        point_covariance=point_covariance,
        connections=connections,
        sd=np.where(observed, equations.sd, np.nan),
        residual=np.where(observed, -evaluation.misclosure * equations.sd, np.nan),
        redundancy=np.where(observed, redundancy, np.nan),
        leverage=spreads.leverage,
        mark_setup=spreads.mark_setup,
        control_residual=np.where(weighted, state.position - problem.frame.control, np.nan),
        control_redundancy=np.where(weighted, 1.0 - control_leverage, np.nan),
        link_residual=-evaluation.link * equations.links.sd,
        link_redundancy=1.0 - spreads.link_leverage,
        aside=aside,
        dof=count_observed - free,
        weighted_sum=evaluation.fit,
        defect=transfer.motions.count,
        iterations=count,
        undetermined_setup=without[0],
        undetermined_point=without[1],
        held=equations.held,
        system=system,
        rows=evaluation.rows,
        transfer=transfer,
    )


def _free_components(equations: Equations, observed: BoolArray) -> int:
    """Count the free components of points in the system."""
    inside = np.zeros(len(equations.held.point), dtype=bool)
    inside[equations.connections.point[observed.any(axis=1)]] = True
    inside[equations.links.start] = True
    inside[equations.links.end] = True
    inside |= (equations.problem.weight > 0).any(axis=1)
    return int((~equations.held.point[inside]).sum())


def _covariances(
    equations: Equations, spreads: Spread, transfer: Transfer, aside: Aside
) -> tuple[FloatArray, FloatArray]:
    """Return setup (S, 4, 4) and point (P, 3, 3) covariances in the frame, NaN where unsolved.

    Held unknowns have none of their own: their unit diagonal was only a placeholder.
    """
    problem = equations.problem
    setup = spreads.setup * _both(~equations.held.setup)
    point = spreads.point * _both(~equations.held.point)
    setup += transfer.setup_block(np.arange(len(spreads.setup)))
    point += transfer.point_block(np.arange(len(spreads.point)))
    at = aside.connections
    by_setup = aside.by_setup
    point[at.point] = by_setup @ setup[at.setup] @ by_setup.transpose(0, 2, 1) + aside.own
    setup[~problem.solved_setup] = np.nan
    point[~problem.solved_point] = np.nan
    return setup, point


def _both(free: BoolArray) -> BoolArray:
    """Return (n, u, u): True where both unknowns of a block are free."""
    return free[:, :, None] & free[:, None, :]
