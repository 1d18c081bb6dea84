"""All equations of one system at one state: misclosures and design rows, whitened.

Inside a system marks are numbered as in `tieup.adjust.mark_elimination`; points that nothing checks
have no place in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.elimination import DesignRows, Held
from tieup.adjust.mark_elimination import Structure
from tieup.adjust.observation_equations import Connections, Linearised, linearise
from tieup.adjust.prior import Prior
from tieup.adjust.problem import Problem
from tieup.adjust.stacks import new_stack
from tieup.adjust.turn_border import Bases, Columns
from tieup.adjust.weights import connection_noise
from tieup.adjust.whitening import Whitening
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Links, Network
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.model.settings import Precision


@dataclass(frozen=True)
class Unknowns:
    """Unknowns: axis (S, 3) m, orientation (S,) rad, position (P, 3) of points or marks, m.

    ``turn`` (g,) rad is that of each basis of bearings.
    """

    axis: FloatArray
    orientation: FloatArray
    position: FloatArray
    turn: FloatArray

    def moved(self, by: Columns, factor: float = 1.0) -> Unknowns:
        """Return the state moved by ``factor`` times one column, of setups, points and turns."""
        setup, point, turn = (factor * part[..., 0] for part in by)
        return Unknowns(
            self.axis + setup[:, :3],
            self.orientation + setup[:, 3],
            self.position + point,
            self.turn + turn,
        )

    def of(self, points: IntArray) -> Unknowns:
        """Return the state with the positions of the given points only."""
        return replace(self, position=self.position[points])

    def updated(self, points: IntArray, state: Unknowns) -> Unknowns:
        """Return the setups of ``state``, which knows the given points, with all positions."""
        position = self.position.copy()
        position[points] = state.position
        return replace(state, position=position)


def start_state(network: Network) -> Unknowns:
    """Return the start values with unknown ones at 0 (they are held)."""
    start = network.start

    def known(values: FloatArray) -> FloatArray:
        return np.where(np.isnan(values), 0.0, values)

    return Unknowns(
        known(start.axis), known(start.orientation), known(start.position), known(start.turn)
    )


@dataclass(frozen=True)
class Equations:
    """What stays the same from step to step, in the system's own numbers.

    ``connections`` and ``links`` end at marks; ``held``, ``control`` and its ``weight`` (m, 3)
    are those of marks. ``noise`` makes the connections' observations independent. Pairs of
    indices (2, n): ``stuck_setup`` and ``stuck_mark``, connection and component of held unknowns;
    ``weighted``, mark and component. ``flat`` (n,) are the connections between heights that nothing
    determines, at one end or both: stand-ins, of which no reading says anything. ``prior`` is the
    correlated part of control, by marks. ``bases`` are the directions that turn with a basis of
    bearings.
    """

    structure: Structure
    connections: Connections
    noise: Whitening
    held: Held
    stuck_setup: IntArray
    stuck_mark: IntArray
    control: FloatArray
    weight: FloatArray
    weighted: IntArray
    links: Links
    bend: float
    flat: IntArray
    prior: Prior
    bases: Bases


def make_equations(
    problem: Problem,
    structure: Structure,
    connections: Connections,
    held: Held,
    state: Unknowns,
    precision: Precision,
    refraction: float,
) -> Equations:
    """Prepare the planned system of ``connections``, with sds at ``state``.

    ``held`` and ``state`` are those of the marks.
    """
    marks, every, taken = structure.marks, problem.network.links, problem.links
    inner = replace(connections, point=structure.mark)
    noise = connection_noise(inner, problem.network.sights, precision, state.axis, state.position)
    ends = structure.linked
    links = replace(every.take(taken), start=ends[:, 0], end=ends[:, 1])
    return Equations(
        structure=structure,
        connections=inner,
        noise=noise,
        held=held,
        stuck_setup=_held_places(held.setup, inner.setup),
        stuck_mark=_held_places(held.point, inner.point),
        control=problem.frame.control[marks],
        weight=problem.weight[marks],
        weighted=np.array(np.nonzero(problem.weight[marks] > 0)),
        links=links,
        bend=curvature_coefficient(refraction),
        flat=_flat(problem, connections),
        prior=problem.prior.on_marks(marks),
        bases=Bases(inner.based, inner.basis[inner.based], len(state.turn)),
    )


def _flat(problem: Problem, connections: Connections) -> IntArray:
    """Return the connections (n,) with an undetermined height at one end."""
    start = problem.network.start
    high = start.height_setup[connections.setup] & start.height_point[connections.point]
    return np.flatnonzero(~high)


def _held_places(held: BoolArray, end: IntArray) -> IntArray:
    """Return connection and component (2, n) of the held unknowns at the ``end`` (c,)."""
    any_held = np.flatnonzero(np.take(held.any(axis=1), end))
    row, component = np.nonzero(held[end[any_held]])
    return np.stack([any_held[row], component])


@dataclass(frozen=True)
class Evaluation:
    """All equations at one state: whitened rows and misclosures (observed minus predicted).

    ``misclosure`` (c, 3) is whitened, ``link`` (l,) in units of its sd, 0 where not observed;
    ``control`` (w,) is P times the departure of each weighted component. ``fit`` is v'Pv.
    """

    rows: DesignRows
    misclosure: FloatArray
    link: FloatArray
    control: FloatArray
    fit: float


def evaluate(equations: Equations, state: Unknowns) -> Evaluation:
    """Linearise and whiten every equation at ``state``."""
    places = state.axis, state.orientation, state.position
    linear = linearise(equations.connections, *places, equations.bend, state.turn)
    misclosure = equations.noise.whitened(linear.misclosure)
    link, link_rows = _links(equations.links, state.position, equations.held)
    weighted = tuple(equations.weighted)
    departure = equations.control[weighted] - state.position[weighted]
    pushed = _pushed(equations, state, departure)
    fit = float(np.sum(misclosure**2) + np.sum(link**2) + np.sum(pushed * departure))
    rows = _whiten(equations, linear, link_rows)
    return Evaluation(rows, misclosure, link, pushed, fit)


def _pushed(equations: Equations, state: Unknowns, departure: FloatArray) -> FloatArray:
    """Return P times the ``departure`` (w,) of weighted control."""
    weighted, prior = tuple(equations.weighted), equations.prior
    pushed = equations.weight[weighted] * departure
    if not len(prior):
        return np.asarray(pushed)
    away = equations.control - state.position
    whole = np.zeros(away.shape)
    whole[weighted] = pushed
    whole[prior.point, prior.component] = prior.weight @ away[prior.point, prior.component]
    return np.asarray(whole[weighted])


def _whiten(
    equations: Equations, linear: Linearised, links: tuple[FloatArray, FloatArray]
) -> DesignRows:
    scale, lean = equations.noise.scale, equations.noise.lean
    by_place = np.multiply(linear.by_mark, scale[:, :, None], out=linear.by_mark)
    by_place[:, DISTANCE] -= lean[:, None] * by_place[:, ZENITH]
    by_place[equations.flat, :, 2] = 0.0
    by_setup = new_stack(len(scale), 3, 4)
    np.negative(by_place, out=by_setup[:, :, :3])
    by_setup[:, DIRECTION, 3] = -linear.turns * scale[:, DIRECTION]
    connection, component = equations.stuck_setup
    by_setup[connection, :, component] = 0.0
    by_mark = by_place
    connection, component = equations.stuck_mark
    if len(connection):
        by_mark = by_place.copy(order="K")
        by_mark[connection, :, component] = 0.0
    return DesignRows(by_setup, by_mark, by_place, *links, -scale[equations.bases.rows, DIRECTION])


def _links(
    links: Links, position: FloatArray, held: Held
) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """Return misclosures (l,) and rows by start and end (l, 3), whitened."""
    predicted, by_end = links.predicted(position)
    by_end = by_end / links.sd[:, None]
    free_start, free_end = ~held.point[links.start], ~held.point[links.end]
    return (links.value - predicted) / links.sd, (-by_end * free_start, by_end * free_end)


def right_hand_side(equations: Equations, evaluation: Evaluation) -> Columns:
    """Return A'P l as one column."""
    rows, misclosure = evaluation.rows, evaluation.misclosure
    connections, links = equations.connections, equations.links
    setup = np.empty((equations.structure.setups, 4))
    mark = np.empty((len(equations.structure.marks), 3))
    for total, part, end in (
        (setup, rows.by_setup, connections.setup),
        (mark, rows.by_mark, connections.point),
    ):
        pushed = np.einsum("crk,cr->ck", part, misclosure)
        for component in range(total.shape[1]):
            total[:, component] = np.bincount(
                end, weights=pushed[:, component], minlength=len(total)
            )
    np.add.at(mark, links.start, rows.link_start * evaluation.link[:, None])
    np.add.at(mark, links.end, rows.link_end * evaluation.link[:, None])
    free = ~equations.held.point[tuple(equations.weighted)]
    mark[tuple(equations.weighted[:, free])] += evaluation.control[free]
    bases = equations.bases
    pushed = rows.by_turn * misclosure[bases.rows, DIRECTION]
    turn = np.zeros(bases.count)
    np.add.at(turn, bases.basis, pushed)
    return Columns(setup[:, :, None], mark[:, :, None], turn[:, None])
