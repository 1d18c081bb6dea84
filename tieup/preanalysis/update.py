"""What one further sight would do to a solved scheme, without solving it again.

With a (3, 7) the whitened rows of the new sight and Q the covariance before it,

    Q+ = Q - H H',   H = Q a' L^-T,   L L' = I + a Q a'

so a mark's covariance loses its part of H H', and an observation with row b has the
redundancy number 1 - b Q+ b'. One product of a few columns for each candidate. A free frame
stays the one of the solved scheme, whichever marks it would be laid on afterwards.

References: Ghilani, Adjustment Computations, sequential least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.observation_equations import Connections
from tieup.adjust.point_roles import point_roles
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.observations import Sights
from tieup.model.point_words import CHECKED, SHOT, UNCHECKED
from tieup.preanalysis.candidates import Area
from tieup.preanalysis.design_quality import (
    PROVED,
    Demand,
    DesignQuality,
    DesignState,
    shows,
    spreads,
)
from tieup.preanalysis.full_covariance import FullCovariance, full_covariance
from tieup.preanalysis.scheme import Scheme
from tieup.preanalysis.sight_reliability import full_rows, further_rows, places_at
from tieup.preanalysis.tested import any_tested, shape_proves
from tieup.ties.views import View, views_of


@dataclass(frozen=True)
class Base:
    """A solved scheme, ready to be asked what a further sight would do.

    ``marks`` of the joint covariance are solved; ``connections`` (c,) join them, plumb lines
    too, ``rows`` (c, 3, 7) their whitened rows, ``leverage`` (c, 3), ``columns`` (c, 7).
    ``views`` are what each setup sees, ``tie`` (P,) marks that count as ties already.
    """

    scheme: Scheme
    state: DesignState
    demand: Demand
    joint: FullCovariance
    connections: Connections
    rows: FloatArray
    leverage: FloatArray
    columns: IntArray
    views: list[View]
    tie: BoolArray

    @property
    def adjustment(self) -> Adjustment:
        """Return the solution."""
        return self.state.adjustment


def make_base(scheme: Scheme, state: DesignState, demand: Demand, area: Area) -> Base:
    """Prepare a solved scheme; ``area`` are the setups and marks that candidates join."""
    adjustment = state.adjustment
    problem = adjustment.problem
    marks = area.marks[problem.solved_point[area.marks]]
    setups = area.setups[problem.solved_setup[area.setups]]
    joint = full_covariance(adjustment, setups, marks)
    connections, leverage = _sights_among(adjustment, setups, marks)
    rows = full_rows(
        connections, problem.network.sights, scheme.precision, places_at(adjustment), scheme.bend
    )
    place = np.zeros(len(adjustment.axis), dtype=np.int64)
    place[setups] = 4 * np.arange(len(setups))
    at = np.zeros(len(adjustment.position), dtype=np.int64)
    at[marks] = 4 * len(setups) + 3 * np.arange(len(marks))
    columns = np.concatenate(
        [
            place[connections.setup][:, None] + np.arange(4),
            at[connections.point][:, None] + np.arange(3),
        ],
        axis=1,
    )
    tie = np.asarray(point_roles(adjustment.problem.network) != SHOT)
    views = views_of(adjustment, state.ties)
    return Base(scheme, state, demand, joint, connections, rows, leverage, columns, views, tie)


def _sights_among(
    adjustment: Adjustment, setups: IntArray, marks: IntArray
) -> tuple[Connections, FloatArray]:
    """Return what joins the given setups and marks, and the leverages (c, 3) of it."""
    inside, aside = adjustment.connections, adjustment.aside.connections
    leverage = np.diagonal(adjustment.leverage, axis1=1, axis2=2)
    parts, known = [], []
    for connections, own in ((inside, leverage), (aside, np.ones((len(aside), 3)))):
        chosen = np.flatnonzero(
            np.isin(connections.setup, setups) & np.isin(connections.point, marks)
        )
        parts.append(connections.take(chosen))
        known.append(own[chosen])
    both = Connections(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in vars(parts[0]))
    )
    return both, np.concatenate(known)


def can_update(base: Base, sight: Sights) -> BoolArray:
    """Say which further sights (k,) join what is determined already.

    The others would place something new: that needs a solution of its own.
    """
    start = base.adjustment.problem.network.start
    problem = base.adjustment.problem
    placed = problem.solved_setup[sight.setup] & problem.solved_point[sight.point]
    placed &= np.isin(sight.point, base.joint.marks) & start.plan_point[sight.point]
    level = start.height_setup[sight.setup] & start.height_point[sight.point]
    return np.asarray(placed & (level | ~np.isfinite(sight.value[:, 1])))


def sight_rows(base: Base, sights: Sights) -> FloatArray:
    """Return the whitened rows (k, 3, 7) of further ``sights`` (k,)."""
    return further_rows(base.adjustment, sights, base.scheme.precision, base.scheme.bend)


def standings_after(base: Base, sights: Sights) -> list[DesignQuality]:
    """Return how the plan would stand with each of the further ``sights`` (k,) alone."""
    rows = sight_rows(base, sights)
    ends = zip(sights.setup.tolist(), sights.point.tolist(), rows, strict=True)
    return [_after(base, setup, point, row) for setup, point, row in ends]


def _after(base: Base, setup: int, point: int, row: FloatArray) -> DesignQuality:
    joint, standing = base.joint, base.state.standing
    columns = joint.columns(setup, point)
    pulled = joint.matrix[:, columns] @ row.T
    inner = row @ pulled[columns]
    root = np.linalg.cholesky(np.eye(3) + inner)
    half = np.linalg.solve(root, pulled.T).T
    edge = 4 * len(joint.setups)
    covariance = _less(base.adjustment.point_covariance[joint.marks], half[edge:])
    axis = _less(base.adjustment.setup_covariance[joint.setups], half[:edge])
    spread = _spread_after(base, standing.spread, joint.marks, covariance)
    stance = _spread_after(base, standing.stance, joint.setups, axis)
    own = np.where((row != 0).any(axis=1), np.diagonal(np.linalg.inv(np.eye(3) + inner)), np.nan)
    wanted = standing.wanted.copy()
    wanted[point] = True
    return replace(
        standing,
        wanted=wanted,
        spread=spread,
        ratio=spread / base.demand.sizes,
        proof=_proof_after(base, half, (point, own), covariance),
        stance=stance,
        stance_ratio=stance / base.demand.sizes,
        lacking=_lacking_after(base, setup, point, row, half),
    )


def _less(covariance: FloatArray, half: FloatArray) -> FloatArray:
    """Return position covariances (n, 3, 3) less their part of H H'."""
    lost = half.reshape(len(covariance), -1, 3)[:, :3]
    return np.asarray(covariance[:, :3, :3] - lost @ lost.transpose(0, 2, 1))


def _spread_after(
    base: Base, before: FloatArray, numbers: IntArray, covariance: FloatArray
) -> FloatArray:
    """Return ``before`` (n, 2) with the chosen ``numbers`` as their new covariances have them."""
    after = before.copy()
    found = spreads(covariance, base.demand.confidence)
    after[numbers] = np.where(np.isfinite(before[numbers]), found, np.nan)
    return after


def _proof_after(
    base: Base, half: FloatArray, new: tuple[int, FloatArray], covariance: FloatArray
) -> TextArray:
    """Return the proof of each point (P,) with the new sight."""
    pulled = base.rows @ half[base.columns]
    leverage = base.leverage - (pulled**2).sum(axis=2)
    counts = (base.rows != 0).any(axis=2) & ~base.connections.plumb[:, None]
    redundancy = np.where(counts, 1.0 - leverage, np.nan)
    proof = base.state.standing.proof.copy()
    checked = np.zeros(len(proof), dtype=np.bool_)
    checked[base.connections.point[shows(redundancy)]] = True
    point, own = new
    checked[point] |= bool(shows(own[None, :])[0])
    weight = base.adjustment.problem.weight[base.joint.marks]
    variance = np.diagonal(covariance, axis1=1, axis2=2)
    known = np.where(weight > 0, 1.0 - weight * variance, 0.0).max(axis=1, initial=0.0)
    checked[base.joint.marks[known > PROVED]] = True
    proof[checked & (proof == UNCHECKED)] = CHECKED
    return proof


def _lacking_after(
    base: Base, setup: int, point: int, row: FloatArray, half: FloatArray
) -> BoolArray:
    """Return which setups (S,) would still lack proof.

    Those that sight ``point`` already gain a tie where it was none.
    """
    lacking = base.state.standing.lacking.copy()
    seen = base.connections.setup[base.connections.point == point]
    gains = {setup, *(() if base.tie[point] else seen.tolist())}
    position, axis = base.adjustment.position, base.adjustment.axis
    for s in np.intersect1d(np.flatnonzero(lacking), base.joint.setups).tolist():
        view = base.views[s]
        new = position[[point] if s in gains else [], :2] - axis[s, :2]
        if shape_proves(
            np.vstack([view.offset, new]),
            occupied=view.under >= 0,
            ranged=bool(np.isfinite(view.sd[:, 1]).any()),
        ):
            own = (point, row) if s == setup else None
            level = bool(base.adjustment.problem.network.start.height_setup[s])
            lacking[s] = not any_tested(_groups(base, s, point, own, half), level=level)
    return lacking


def _groups(
    base: Base, setup: int, tie: int, new: tuple[int, FloatArray] | None, half: FloatArray
) -> list[tuple[FloatArray, FloatArray]]:
    """Return rows and covariance of each tie of a setup, ``tie`` one of them, with the ``new``."""
    connections = base.connections
    own = np.flatnonzero(connections.setup == setup)
    own = own[base.tie[connections.point[own]] | (connections.point[own] == tie)]
    rows: dict[int, list[FloatArray]] = {}
    for i in own.tolist():
        rows.setdefault(int(connections.point[i]), []).append(base.rows[i])
    if new is not None:
        rows.setdefault(new[0], []).append(new[1])
    groups = []
    for point, parts in rows.items():
        columns = base.joint.columns(setup, point)
        before = base.joint.matrix[np.ix_(columns, columns)]
        groups.append((np.concatenate(parts), before - half[columns] @ half[columns].T))
    return groups
