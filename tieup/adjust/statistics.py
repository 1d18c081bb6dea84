"""Precision and reliability of a solved problem, and everything put together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.datum import Conditions, Motions, Transfer, make_transfer
from tieup.adjust.elimination import Held
from tieup.adjust.evaluation import Equations
from tieup.adjust.problem import Problem
from tieup.adjust.radiated_points import Aside, compute_aside
from tieup.adjust.reliability import Spread, spread
from tieup.adjust.solution import Adjustment
from tieup.adjust.solve_in_frame import Solution, closes
from tieup.adjust.stacks import new_columns, new_stack, put
from tieup.adjust.turn_border import Columns
from tieup.adjust.whitening import Whitening
from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.settings import Precision


def describe(
    solution: Solution,
    precision: Precision,
    undetermined_setup: BoolArray,
    undetermined_point: BoolArray,
) -> Adjustment:
    """Return the adjustment with all covariances, redundancy numbers and polar points.

    ``undetermined_setup`` (S,) and ``undetermined_point`` (P,) were left out before.
    """
    equations, state, evaluation = solution.equations, solution.state, solution.evaluation
    problem = solution.problem
    transfer = _transfer(solution)
    spreads = spread(solution.system, evaluation.rows)
    setup_covariance, point_covariance = _covariances(solution, spreads, transfer)
    position = state.position.copy()
    aside = _aside(solution, precision, setup_covariance, position, point_covariance)
    noise = equations.noise
    observed = noise.scale > 0
    control = _control(solution, point_covariance)
    _blank(problem, setup_covariance, position, point_covariance)
    return Adjustment(
        problem=problem,
        axis=np.where(problem.solved_setup[:, None], state.axis, np.nan),
        orientation=np.where(problem.solved_setup, state.orientation, np.nan),
        position=position,
        setup_covariance=setup_covariance,
        point_covariance=point_covariance,
        connections=solution.connections,
        noise=noise,
        sd=np.where(observed, noise.sd, np.nan),
        residual=noise.restored(-evaluation.misclosure),
        redundancy=noise.redundancy(spreads.leverage),
        leverage=spreads.leverage,
        mark_setup=spreads.mark_setup,
        between=spreads.between,
        control_residual=control[0],
        control_redundancy=control[1],
        link_residual=-evaluation.link * equations.links.sd,
        link_redundancy=1.0 - spreads.link_leverage,
        aside=aside,
        dof=_dof(equations, observed),
        weighted_sum=evaluation.fit,
        defect=solution.motions.count,
        iterations=solution.iterations,
        undetermined_setup=undetermined_setup,
        undetermined_point=undetermined_point,
        held=_held(solution),
        system=solution.system,
        rows=evaluation.rows,
        transfer=transfer,
        turn=_turn(solution),
        with_turns=_with_turns(solution, spreads, transfer),
    )


def _turn(solution: Solution) -> FloatArray:
    """Return the turn of each basis of bearings (g,), NaN where no azimuth of it takes part."""
    bases = solution.equations.bases
    there = np.bincount(bases.basis, minlength=bases.count) > 0
    return np.where(there, solution.state.turn, np.nan)


def _with_turns(solution: Solution, spreads: Spread, transfer: Transfer) -> Columns:
    """Return the covariances of the turns with setups, points and each other, in the frame."""
    points, bases = len(solution.state.position), solution.equations.bases.count
    point = np.zeros((points, 3, bases))
    point[solution.equations.structure.marks] = spreads.mark_turn
    held = Columns(spreads.setup_turn, point, spreads.turn)
    if not transfer.motions.count:
        return held
    pairs = zip(held, transfer.with_turns(), strict=True)
    return Columns(*(own + more for own, more in pairs))


def _aside(
    solution: Solution,
    precision: Precision,
    setup_covariance: FloatArray,
    position: FloatArray,
    point_covariance: FloatArray,
) -> Aside:
    """Return the sights left aside; fill in their points' position and covariance."""
    problem, connections = solution.problem, solution.aside
    count, bend = len(connections), solution.equations.bend
    noise = Whitening(new_columns(count, 3), new_columns(count, 3), np.zeros(count))
    aside = Aside(connections, noise, solution.state, problem.held_point, bend)
    stated = problem.network.sights, precision
    compute_aside(aside, stated, setup_covariance, position, point_covariance)
    return aside


def _blank(
    problem: Problem,
    setup_covariance: FloatArray,
    position: FloatArray,
    point_covariance: FloatArray,
) -> None:
    """Set what was not solved to NaN."""
    setup_covariance[~problem.solved_setup] = np.nan
    unsolved, levelled = ~problem.solved_point, problem.held_in_plan
    position[unsolved] = point_covariance[unsolved] = np.nan
    position[levelled, :2] = np.nan  # a stand-in held the plan of these marks
    point_covariance[levelled, :2] = point_covariance[levelled, :, :2] = np.nan


def _held(solution: Solution) -> Held:
    """Return what stood still, of all points."""
    held = solution.equations.held
    point = solution.problem.held_point.copy()
    point[solution.equations.structure.marks] = held.point
    return Held(held.setup, point)


def _transfer(solution: Solution) -> Transfer:
    """Return the covariance transfer into the frame; none where the datum is control's."""
    motions, conditions, equations = solution.motions, solution.conditions, solution.equations
    marks, points = equations.structure.marks, len(solution.state.position)
    if not closes(motions, conditions):
        none = Motions(motions.setup[:, :, :0], np.zeros((points, 3, 0)), motions.turn[:, :0])
        return Transfer(none, *none.columns, Conditions(none.setup, none.point))
    held = equations.held
    weighted = elimination.solve(
        solution.system,
        Columns(
            np.where(held.setup[:, :, None], 0.0, conditions.setup),
            np.where(held.point[:, :, None], 0.0, conditions.point),
            np.zeros(motions.turn.shape),
        ),
    )
    inner = make_transfer(motions, conditions, weighted)
    whole = np.zeros((3, points, 3, motions.count))
    whole[0, marks], whole[1, marks] = motions.point, inner.point
    whole[2, marks] = conditions.point
    of_frame = Conditions(conditions.setup, whole[2])
    moved = replace(motions, point=whole[0])
    return Transfer(moved, inner.setup, whole[1], inner.turn, of_frame)


def _covariances(
    solution: Solution, spreads: Spread, transfer: Transfer
) -> tuple[FloatArray, FloatArray]:
    """Return setup (S, 4, 4) and point (P, 3, 3) covariances in the frame, 0 for points aside.

    Held unknowns have none of their own: their unit diagonal was only a placeholder. Weighted
    control that nobody sighted keeps what it came with.
    """
    problem, held = solution.problem, solution.equations.held
    marks = solution.equations.structure.marks
    setup = spreads.setup.copy(order="K")
    setup *= _both(~held.setup)
    point = new_stack(len(problem.weight), 3, 3)
    weighted, component = np.nonzero(problem.weight > 0)
    point[weighted, component, component] = 1.0 / problem.weight[weighted, component]
    mark = spreads.mark * _both(~held.point)
    if transfer.motions.count:
        setup += transfer.setup_block(np.arange(len(setup)))
        mark += transfer.point_block(marks)
    put(point, marks, mark)
    return setup, point


def _both(free: BoolArray) -> BoolArray:
    """Return (n, u, u): True where both unknowns of a block are free."""
    return free[:, :, None] & free[:, None, :]


def _control(solution: Solution, point_covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return residuals (m) and redundancy numbers (P, 3) of weighted control, NaN elsewhere."""
    problem, position = solution.problem, solution.state.position
    point, component = weighted = np.nonzero(problem.weight > 0)
    if not len(point):
        nothing = np.broadcast_to(np.nan, position.shape)
        return nothing, nothing
    residual, redundancy = np.full(position.shape, np.nan), np.full(position.shape, np.nan)
    residual[weighted] = position[weighted] - problem.frame.control[weighted]
    variance = point_covariance[point, component, component]
    redundancy[weighted] = 1.0 - problem.weight[weighted] * variance
    prior = problem.prior
    if len(prior):
        own = prior.point, prior.component
        redundancy[own] = 1.0 - np.diagonal(_prior_covariance(solution) @ prior.weight)
    return residual, redundancy


def _prior_covariance(solution: Solution) -> FloatArray:
    """Return the adjusted covariance (k, k) of the coordinates with correlated control."""
    structure = solution.equations.structure
    prior = solution.problem.prior.on_marks(structure.marks)
    right = np.zeros((len(structure.marks), 3, len(prior)))
    right[prior.point, prior.component, np.arange(len(prior))] = 1.0
    none = np.zeros((structure.setups, 4, len(prior)))
    turns = np.zeros((solution.equations.bases.count, len(prior)))
    moved = elimination.solve(solution.system, Columns(none, right, turns))
    return np.asarray(moved.mark[prior.point, prior.component])


def _dof(equations: Equations, observed: BoolArray) -> int:
    """Return the observations of the system minus the unknowns that they determine."""
    turns = len(np.unique(equations.bases.basis))
    free = (~equations.held.setup).sum() + (~equations.held.point).sum() + turns
    beyond = equations.weighted.shape[1] + len(equations.links.value)
    return int(observed.sum() + beyond - free)
