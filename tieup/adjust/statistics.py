"""Precision and reliability of a solved problem, and everything put together."""

from __future__ import annotations

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.aside import compute_aside
from tieup.adjust.datum import Motions, Transfer, make_transfer
from tieup.adjust.frame import Solution, closes
from tieup.adjust.iterate import Equations
from tieup.adjust.reliability import Spread, spread
from tieup.adjust.solution import Adjustment, Aside
from tieup.adjust.stacks import chunks, new_stack, product, put, take, transposed
from tieup.adjust.weights import connection_sd
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
    problem, connections = equations.problem, equations.connections
    transfer = _transfer(solution)
    spreads = spread(solution.system, evaluation.rows)
    aside, at = _aside(solution, precision)
    position = state.position.copy()
    position[aside.connections.point] = at
    setup_covariance, point_covariance = _covariances(solution, spreads, transfer, aside)
    observed = equations.scale > 0
    control = _control(solution, point_covariance)
    position[problem.held_in_plan, :2] = np.nan
    position[~problem.solved_point] = np.nan
    return Adjustment(
        problem=problem,
        axis=np.where(problem.solved_setup[:, None], state.axis, np.nan),
        orientation=np.where(problem.solved_setup, state.orientation, np.nan),
        position=position,
        setup_covariance=setup_covariance,
        point_covariance=point_covariance,
        connections=connections,
        sd=np.where(observed, equations.sd, np.nan),
        residual=np.where(observed, -evaluation.misclosure * equations.sd, np.nan),
        redundancy=np.where(
            observed, 1.0 - np.diagonal(spreads.leverage, axis1=1, axis2=2), np.nan
        ),
        leverage=spreads.leverage,
        mark_setup=spreads.mark_setup,
        control_residual=control[0],
        control_redundancy=control[1],
        link_residual=-evaluation.link * equations.links.sd,
        link_redundancy=1.0 - spreads.link_leverage,
        aside=aside,
        dof=_dof(equations, observed),
        weighted_sum=evaluation.fit,
        defect=transfer.motions.count,
        iterations=solution.iterations,
        undetermined_setup=undetermined_setup,
        undetermined_point=undetermined_point,
        held=equations.held,
        system=solution.system,
        rows=evaluation.rows,
        transfer=transfer,
    )


def _transfer(solution: Solution) -> Transfer:
    """Return the covariance transfer into the frame; none where the datum is control's."""
    motions, conditions = solution.motions, solution.conditions
    if not closes(motions, conditions):
        none = Motions(motions.setup[:, :, :0], motions.point[:, :, :0])
        return Transfer(none, none.setup, none.point)
    held = solution.equations.held
    weighted = elimination.solve(
        solution.system,
        np.where(held.setup[:, :, None], 0.0, conditions.setup),
        np.where(held.point[:, :, None], 0.0, conditions.point),
    )
    return make_transfer(motions, conditions, weighted)


def _aside(solution: Solution, precision: Precision) -> tuple[Aside, FloatArray]:
    """Return the sights left aside and the positions of their points."""
    equations, state = solution.equations, solution.state
    problem = equations.problem
    connections = problem.connections.take(solution.aside)
    sights = problem.network.sights
    sd = connection_sd(connections, sights, precision, state.axis, state.position)
    return compute_aside(connections, sd, state, problem.held_point, equations.bend)


def _covariances(
    solution: Solution, spreads: Spread, transfer: Transfer, aside: Aside
) -> tuple[FloatArray, FloatArray]:
    """Return setup (S, 4, 4) and point (P, 3, 3) covariances in the frame, NaN where unsolved.

    Held unknowns have none of their own: their unit diagonal was only a placeholder. Weighted
    control that nobody sighted keeps what it came with.
    """
    problem, held = solution.equations.problem, solution.equations.held
    marks = solution.system.structure.marks
    setup = spreads.setup * _both(~held.setup)
    point = new_stack(len(held.point), 3, 3)
    weighted = tuple(solution.equations.weighted)
    point[weighted[0], weighted[1], weighted[1]] = 1.0 / problem.weight[weighted]
    put(point, marks, spreads.mark * _both(~held.point[marks]))
    if transfer.motions.count:
        setup += transfer.setup_block(np.arange(len(setup)))
        point += transfer.point_block(np.arange(len(point)))
    at, by_setup = aside.connections, aside.by_setup
    for part in chunks(len(at)):
        along = product(by_setup[part], take(setup, at.setup[part]))
        covariance = product(along, transposed(by_setup[part])) + aside.own[part]
        put(point, at.point[part], covariance)
    setup[~problem.solved_setup] = np.nan
    point[problem.held_in_plan, :2] = point[problem.held_in_plan, :, :2] = np.nan
    point[~problem.solved_point] = np.nan
    return setup, point


def _both(free: BoolArray) -> BoolArray:
    """Return (n, u, u): True where both unknowns of a block are free."""
    return free[:, :, None] & free[:, None, :]


def _control(solution: Solution, point_covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return residuals (m) and redundancy numbers (P, 3) of weighted control, NaN elsewhere."""
    problem, position = solution.equations.problem, solution.state.position
    point, component = weighted = tuple(solution.equations.weighted)
    residual, redundancy = np.full(position.shape, np.nan), np.full(position.shape, np.nan)
    residual[weighted] = position[weighted] - problem.frame.control[weighted]
    variance = point_covariance[point, component, component]
    redundancy[weighted] = 1.0 - problem.weight[weighted] * variance
    return residual, redundancy


def _dof(equations: Equations, observed: BoolArray) -> int:
    """Return the observations that take part minus the unknowns that they determine."""
    problem, held = equations.problem, equations.held
    inside = np.zeros(len(held.point), dtype=bool)
    inside[equations.connections.point[observed.any(axis=1)]] = True
    inside[equations.links.start] = True
    inside[equations.links.end] = True
    inside[equations.weighted[0]] = True
    free = (~held.setup).sum() + (~held.point[inside]).sum()
    return int(observed.sum() + equations.weighted.shape[1] + len(problem.links) - free)
