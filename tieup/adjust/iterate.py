"""Gauss-Newton on the whitened equations until the step no longer matters.

Every step solves the block system; a step that makes the fit worse is halved. The
iteration stops when no coordinate moves by a hundredth of a millimetre: some hundred
times less than its own standard deviation, and the next step would be smaller again
by the square.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.elimination import Eliminated, Held, Rows
from tieup.adjust.equations import Connections, Linearised, linearise
from tieup.adjust.problem import Problem
from tieup.adjust.structure import Structure
from tieup.adjust.weights import connection_sd
from tieup.errors import AdjustmentError
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.network import Links, Network
from tieup.model.settings import Precision

SMALL_STEP = 1e-5  # m, and rad
SAME_PLACE = 1e-9  # m, rad; a factor made this near the end serves for the statistics
MOST_ITERATIONS = 30
HALVINGS = 6


@dataclass(frozen=True)
class State:
    """Unknowns: axis (S, 3) m, orientation (S,) rad, position (P, 3) m."""

    axis: FloatArray
    orientation: FloatArray
    position: FloatArray

    def moved(self, setup: FloatArray, point: FloatArray) -> State:
        """Return the state moved by (S, 4) and (P, 3)."""
        return State(
            self.axis + setup[:, :3], self.orientation + setup[:, 3], self.position + point
        )


@dataclass(frozen=True)
class Evaluation:
    """All equations at one state: whitened rows and misclosures (observed minus predicted).

    ``misclosure`` (c, 3) and ``link`` (l,) are in units of their sd, 0 where not
    observed; ``control`` (P, 3) in m times weight. ``fit`` is v'Pv.
    """

    rows: Rows
    misclosure: FloatArray
    link: FloatArray
    control: FloatArray
    fit: float


@dataclass(frozen=True)
class Equations:
    """What stays the same from step to step: the system's connections, sds and links."""

    problem: Problem
    connections: Connections
    sd: FloatArray
    held: Held
    links: Links
    bend: float


def start_state(network: Network) -> State:
    """Return the start values with unknown ones at 0 (they are held)."""
    start = network.start
    return State(
        np.nan_to_num(start.axis), np.nan_to_num(start.orientation), np.nan_to_num(start.position)
    )


def make_equations(
    problem: Problem, chosen: IntArray, held: Held, precision: Precision, refraction: float
) -> Equations:
    """Prepare the equations of the ``chosen`` connections with sds at the start values."""
    network = problem.network
    state = start_state(network)
    connections = problem.connections.take(chosen)
    sd = connection_sd(connections, network.sights, precision, state.axis, state.position)
    links = network.links
    taken = problem.links
    chosen_links = Links(
        links.kind[taken], links.start[taken], links.end[taken], links.value[taken], links.sd[taken]
    )
    bend = curvature_coefficient(refraction)
    return Equations(problem, connections, sd, held, chosen_links, bend)


def evaluate(equations: Equations, state: State) -> Evaluation:
    """Linearise and whiten every equation at ``state``."""
    problem, connections = equations.problem, equations.connections
    linear = linearise(connections, state.axis, state.orientation, state.position, equations.bend)
    observed = np.isfinite(connections.value)
    misclosure = np.where(observed, linear.misclosure / equations.sd, 0.0)
    link, link_rows = _links(equations.links, state.position, equations.held)
    known = problem.weight > 0
    departure = np.where(known, np.nan_to_num(problem.frame.control) - state.position, 0.0)
    rows = _whiten(equations, linear, observed, link_rows)
    fit = float(np.sum(misclosure**2) + np.sum(link**2) + np.sum(problem.weight * departure**2))
    return Evaluation(rows, misclosure, link, problem.weight * departure, fit)


def _whiten(
    equations: Equations,
    linear: Linearised,
    observed: FloatArray,
    links: tuple[FloatArray, FloatArray],
) -> Rows:
    connections, held = equations.connections, equations.held
    scale = np.where(observed, 1.0 / equations.sd, 0.0)
    by_mark = linear.by_mark * scale[:, :, None]
    by_setup = np.zeros((len(connections), 3, 4))
    by_setup[:, :, :3] = -by_mark
    by_setup[:, 0, 3] = -linear.turns * scale[:, 0]
    by_setup *= ~held.setup[connections.setup][:, None, :]
    free = ~held.point[connections.point]
    return Rows(by_setup, by_mark * free[:, None, :], by_mark, *links)


def _links(
    links: Links, position: FloatArray, held: Held
) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """Return misclosures (l,) and rows by start and end (l, 3), whitened."""
    offset = position[links.end] - position[links.start]
    level = links.kind == "level"
    plan = np.maximum(np.hypot(offset[:, 0], offset[:, 1]), 1e-9)
    predicted = np.where(level, offset[:, 2], plan)
    by_end = np.zeros((len(level), 3))
    by_end[:, :2] = np.where(level[:, None], 0.0, offset[:, :2] / plan[:, None])
    by_end[:, 2] = level
    by_end = by_end / links.sd[:, None]
    free_start, free_end = ~held.point[links.start], ~held.point[links.end]
    return (links.value - predicted) / links.sd, (-by_end * free_start, by_end * free_end)


def right_hand_side(equations: Equations, evaluation: Evaluation) -> tuple[FloatArray, FloatArray]:
    """Return A'P l as (S, 4, 1) and (P, 3, 1)."""
    network = equations.problem.network
    connections, rows = equations.connections, evaluation.rows
    setup = np.zeros((len(network.setup_labels), 4))
    point = np.where(equations.held.point, 0.0, evaluation.control)
    np.add.at(
        setup, connections.setup, np.einsum("crk,cr->ck", rows.by_setup, evaluation.misclosure)
    )
    np.add.at(
        point, connections.point, np.einsum("crk,cr->ck", rows.by_mark, evaluation.misclosure)
    )
    np.add.at(point, equations.links.start, rows.link_start * evaluation.link[:, None])
    np.add.at(point, equations.links.end, rows.link_end * evaluation.link[:, None])
    return setup[:, :, None], point[:, :, None]


def iterate(
    equations: Equations, structure: Structure, state: State
) -> tuple[State, Evaluation, Eliminated, int]:
    """Run Gauss-Newton from ``state``; return the last state, evaluation, factor, steps.

    Raises
    ------
    AdjustmentError
        When the step does not become small.
    UndeterminedMarkError, DependentUnknownError
        Where an unknown is not determined.
    """
    weight, held = equations.problem.weight, equations.held
    evaluation = evaluate(equations, state)
    for count in range(1, MOST_ITERATIONS + 1):
        system = elimination.eliminate(structure, evaluation.rows, weight, held)
        setup, point = elimination.solve(system, *right_hand_side(equations, evaluation))
        step = np.concatenate([setup[:, :, 0], np.pad(point[:, :, 0], ((0, 0), (0, 1)))])
        size = float(np.abs(step[:, :3]).max(initial=0.0))
        turn = float(np.abs(step[:, 3]).max(initial=0.0))
        state, evaluation = _careful(equations, state, evaluation, setup[:, :, 0], point[:, :, 0])
        if max(size, turn) < SMALL_STEP:
            if max(size, turn) > SAME_PLACE:
                system = elimination.eliminate(structure, evaluation.rows, weight, held)
            return state, evaluation, system, count
    raise AdjustmentError(
        f"the adjustment did not settle in {MOST_ITERATIONS} steps (the last moved a "
        f"coordinate by {size:.3g} m): the start values or a gross mistake mislead it. "
        "Check point names and units of the raw files with the largest misfits."
    )


def _careful(
    equations: Equations,
    state: State,
    before: Evaluation,
    setup: FloatArray,
    point: FloatArray,
) -> tuple[State, Evaluation]:
    """Take the step, or the largest half, quarter, ... of it that does not fit worse."""
    factor = 1.0
    for _ in range(HALVINGS):
        moved = state.moved(factor * setup, factor * point)
        after = evaluate(equations, moved)
        if after.fit <= before.fit * (1.0 + 1e-6) + 1e-9:
            return moved, after
        factor *= 0.5
    return moved, after
