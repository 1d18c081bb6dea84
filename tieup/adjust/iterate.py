"""Gauss-Newton on the whitened equations until the step no longer matters.

The factored system serves several steps: near the solution the steps that it gives shrink
a hundredfold each, for a quarter of the cost. It is made anew when they shrink slowly, and
once more where the iteration ends, because precision and reliability come from it. A step
that makes the fit worse is halved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.elimination import Eliminated, Held, Rows
from tieup.adjust.equations import Connections, Linearised, linearise
from tieup.adjust.problem import Problem
from tieup.adjust.stacks import new_stack
from tieup.adjust.structure import Structure
from tieup.adjust.weights import connection_sd
from tieup.errors import AdjustmentError
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Links, Network
from tieup.model.settings import Precision

SMALL_STEP = 1e-5  # m, rad; a hundredth of what matters: good enough where rounding ends it
SETTLED = 1e-8  # m, rad; the next step would be ten times smaller still
SAME_PLACE = 1e-9  # m, rad; a factor made this near the end serves for the statistics
SHRINKS = 0.1  # a step longer than this part of the one before asks for a new factor
MOST_ITERATIONS = 30
HALVINGS = 6


@dataclass(frozen=True)
class State:
    """Unknowns: axis (S, 3) m, orientation (S,) rad, position (P, 3) m."""

    axis: FloatArray
    orientation: FloatArray
    position: FloatArray

    def moved(self, setup: FloatArray, point: FloatArray, points: IntArray | None = None) -> State:
        """Return the state moved by (S, 4) and (P, 3), or (n, 3) of the given ``points``."""
        position = self.position.copy()
        position[slice(None) if points is None else points] += point
        return State(self.axis + setup[:, :3], self.orientation + setup[:, 3], position)


@dataclass(frozen=True)
class Evaluation:
    """All equations at one state: whitened rows and misclosures (observed minus predicted).

    ``misclosure`` (c, 3) and ``link`` (l,) are in units of their sd, 0 where not observed;
    ``control`` (w,) of each weighted component in m times weight. ``fit`` is v'Pv.
    """

    rows: Rows
    misclosure: FloatArray
    link: FloatArray
    control: FloatArray
    fit: float


@dataclass(frozen=True)
class Equations:
    """What stays the same from step to step: the system's connections, sds and links.

    ``scale`` (c, 3) is 1/sd, 0 where not observed. Pairs of indices (2, n): ``missing``,
    connection and component that were not observed; ``stuck_setup`` and ``stuck_point``,
    connection and component of held unknowns; ``weighted``, point and component of control.
    """

    problem: Problem
    connections: Connections
    sd: FloatArray
    scale: FloatArray
    missing: IntArray
    held: Held
    stuck_setup: IntArray
    stuck_point: IntArray
    weighted: IntArray
    links: Links
    bend: float


def start_state(network: Network) -> State:
    """Return the start values with unknown ones at 0 (they are held)."""
    start = network.start

    def known(values: FloatArray) -> FloatArray:
        return np.where(np.isnan(values), 0.0, values)

    return State(known(start.axis), known(start.orientation), known(start.position))


def make_equations(
    problem: Problem, chosen: IntArray, held: Held, precision: Precision, refraction: float
) -> Equations:
    """Prepare the equations of the ``chosen`` connections with sds at the start values."""
    network = problem.network
    state = start_state(network)
    connections = problem.connections.take(chosen)
    sd = connection_sd(connections, network.sights, precision, state.axis, state.position)
    observed = np.isfinite(connections.value)
    links = network.links
    taken = problem.links
    chosen_links = Links(
        links.kind[taken], links.start[taken], links.end[taken], links.value[taken], links.sd[taken]
    )
    return Equations(
        problem=problem,
        connections=connections,
        sd=sd,
        scale=np.where(observed, 1.0 / sd, 0.0),
        missing=np.array(np.nonzero(~observed)),
        held=held,
        stuck_setup=_held_places(held.setup, connections.setup),
        stuck_point=_held_places(held.point, connections.point),
        weighted=np.array(np.nonzero(problem.weight > 0)),
        links=chosen_links,
        bend=curvature_coefficient(refraction),
    )


def _held_places(held: BoolArray, end: IntArray) -> IntArray:
    """Return connection and component (2, n) of the held unknowns at the ``end`` (c,)."""
    any_held = np.flatnonzero(np.take(held.any(axis=1), end))
    row, component = np.nonzero(held[end[any_held]])
    return np.stack([any_held[row], component])


def evaluate(equations: Equations, state: State) -> Evaluation:
    """Linearise and whiten every equation at ``state``."""
    problem, connections = equations.problem, equations.connections
    linear = linearise(connections, state.axis, state.orientation, state.position, equations.bend)
    misclosure = linear.misclosure * equations.scale
    misclosure[tuple(equations.missing)] = 0.0
    link, link_rows = _links(equations.links, state.position, equations.held)
    weighted = tuple(equations.weighted)
    departure = problem.frame.control[weighted] - state.position[weighted]
    weight = problem.weight[weighted]
    fit = float(np.sum(misclosure**2) + np.sum(link**2) + np.sum(weight * departure**2))
    rows = _whiten(equations, linear, link_rows)
    return Evaluation(rows, misclosure, link, weight * departure, fit)


def _whiten(equations: Equations, linear: Linearised, links: tuple[FloatArray, FloatArray]) -> Rows:
    scale = equations.scale
    by_place = np.multiply(linear.by_mark, scale[:, :, None], out=linear.by_mark)
    by_setup = new_stack(len(scale), 3, 4)
    np.negative(by_place, out=by_setup[:, :, :3])
    by_setup[:, 0, 3] = -linear.turns * scale[:, 0]
    connection, component = equations.stuck_setup
    by_setup[connection, :, component] = 0.0
    by_mark = by_place
    connection, component = equations.stuck_point
    if len(connection):
        by_mark = by_place.copy(order="K")
        by_mark[connection, :, component] = 0.0
    return Rows(by_setup, by_mark, by_place, *links)


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


def right_hand_side(
    equations: Equations, structure: Structure, evaluation: Evaluation
) -> tuple[FloatArray, FloatArray]:
    """Return A'P l as (S, 4, 1) and, for the system's marks, (m, 3, 1)."""
    rows, misclosure = evaluation.rows, evaluation.misclosure
    setup = np.empty((structure.setups, 4))
    mark = np.empty((len(structure.marks), 3))
    for total, part, end in (
        (setup, rows.by_setup, structure.setup),
        (mark, rows.by_mark, structure.mark),
    ):
        pushed = np.einsum("crk,cr->ck", part, misclosure)
        for component in range(total.shape[1]):
            total[:, component] = np.bincount(
                end, weights=pushed[:, component], minlength=len(total)
            )
    _add_beyond(mark, equations, structure, evaluation)
    return setup[:, :, None], mark[:, :, None]


def _add_beyond(
    mark: FloatArray, equations: Equations, structure: Structure, evaluation: Evaluation
) -> None:
    """Add what links and weighted control contribute to the right-hand side of the marks."""
    number = np.full(len(equations.held.point), -1)
    number[structure.marks] = np.arange(len(structure.marks))
    links, rows = equations.links, evaluation.rows
    np.add.at(mark, number[links.start], rows.link_start * evaluation.link[:, None])
    np.add.at(mark, number[links.end], rows.link_end * evaluation.link[:, None])
    point, component = equations.weighted
    free = ~equations.held.point[point, component] & (number[point] >= 0)
    mark[number[point[free]], component[free]] += evaluation.control[free]


def iterate(
    equations: Equations, structure: Structure, state: State
) -> tuple[State, Evaluation, Eliminated, int]:
    """Run Gauss-Newton from ``state``; return the last state, evaluation, factor, steps.

    Raises
    ------
    AdjustmentError
        When the step does not become small.
    UndeterminedMarkError, UndeterminedSetupError
        Where an unknown is not determined.
    """

    def factored(at: Evaluation) -> Eliminated:
        return elimination.eliminate(structure, at.rows, equations.problem.weight, equations.held)

    evaluation = evaluate(equations, state)
    system, is_new, last = factored(evaluation), True, np.inf
    for count in range(1, MOST_ITERATIONS + 1):
        right = right_hand_side(equations, structure, evaluation)
        setup, mark = elimination.solve_marks(system, *right)
        size = max(np.abs(setup).max(initial=0.0), np.abs(mark).max(initial=0.0))
        step = setup[:, :, 0], mark[:, :, 0], structure.marks
        state, evaluation = _careful(equations, state, evaluation, step)
        slow = size > SHRINKS * last
        if size < SETTLED or (size < SMALL_STEP and slow and is_new):
            if not is_new or size > SAME_PLACE:
                system = factored(evaluation)
            return state, evaluation, system, count
        is_new = bool(slow and not is_new)
        if is_new:
            system = factored(evaluation)
        last = size
    raise AdjustmentError(
        f"the adjustment did not settle in {MOST_ITERATIONS} steps (the last moved a "
        f"coordinate by {size:.3g} m): the start values or a gross mistake mislead it. "
        "Check point names and units of the raw files with the largest misfits."
    )


def _careful(
    equations: Equations,
    state: State,
    before: Evaluation,
    step: tuple[FloatArray, FloatArray, IntArray],
) -> tuple[State, Evaluation]:
    """Take the step, or the largest half, quarter, ... of it that does not fit worse."""
    setup, mark, marks = step
    factor = 1.0
    for _ in range(HALVINGS):
        moved = state.moved(factor * setup, factor * mark, marks)
        after = evaluate(equations, moved)
        if after.fit <= before.fit * (1.0 + 1e-6) + 1e-9:
            return moved, after
        factor *= 0.5
    return moved, after
