"""The datum: what observations leave open, and how the frame is then chosen.

Direction, zenith and distance do not change when the whole site is shifted or turned
about the vertical: four motions, written as columns of G. Control takes some of them
away; what is left is the rank defect, found here from the control itself, separately
for every piece of the network. The solution is first computed with one setup of a
piece standing still, then carried over to the wanted frame B'x = 0 by

    S = I - G (B'G)^-1 B',   x' = S x,   Q' = S Q S' = Q - G X' - X G'
    X = W R' - 1/2 G R (B'W) R',   W = Q B,   R = (B'G)^-1

References: Baarda (1973), S-transformations and criterion matrices; Meissl (inner
constraints); Ghilani, Adjustment Computations, free network adjustment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.elimination import Held
from tieup.model.arrays import BoolArray, FloatArray, IntArray

MOTIONS = 4  # shift N, shift E, shift H, turn about the vertical
LEVELLED = np.eye(MOTIONS)[[0, 1, 3]]  # what a piece of level runs alone cannot do: move in plan
TURN = np.eye(MOTIONS)[3:]  # what a piece with vectors or azimuths cannot do: turn
INDEPENDENT = 1e-9  # relative size below which a motion is not held by control


@dataclass(frozen=True)
class Motions:
    """Free motions of the unknowns: ``setup`` (S, 4, q) and ``point`` (P, 3, q)."""

    setup: FloatArray
    point: FloatArray

    @property
    def count(self) -> int:
        """Return the rank defect q."""
        return int(self.setup.shape[2])


@dataclass(frozen=True)
class Conditions:
    """The frame: columns of B, ``setup`` (S, 4, q) and ``point`` (P, 3, q)."""

    setup: FloatArray
    point: FloatArray


def rigid_motions(axis: FloatArray, position: FloatArray) -> Motions:
    """Return the four motions at axis (S, 3) and position (P, 3) in m."""

    def columns(place: FloatArray, unknowns: int) -> FloatArray:
        rows = [motion_rows(place, np.full(len(place), u)) for u in range(unknowns)]
        return np.stack(rows, axis=1)

    return Motions(columns(axis, 4), columns(position, 3))


def motion_rows(place: FloatArray, component: IntArray) -> FloatArray:
    """Return how far each motion moves one unknown of each ``place`` (n, 3): (n, 4).

    ``component`` (n,) is 0 to 2 for N, E, H and 3 for an orientation.
    """
    rows = np.zeros((len(place), MOTIONS))
    rows[np.arange(len(place)), component] = 1.0
    rows[:, 3] -= np.where(component == 0, place[:, 1], 0.0)
    rows[:, 3] += np.where(component == 1, place[:, 0], 0.0)
    return rows


def pieces(
    setup: IntArray, point: IntArray, links: IntArray, setups: int, points: int
) -> tuple[IntArray, IntArray]:
    """Number the connected pieces of setups (S,) and points (P,) joined by observations."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    start = np.concatenate([setup, setups + links[:, 0]])
    end = setups + np.concatenate([point, links[:, 1]])
    size = setups + points
    # scipy 1.11 fails on wider indices without raising: every piece is then the same one.
    places = (start.astype(np.int32), end.astype(np.int32))
    graph = coo_array((np.ones(len(start)), places), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    return label[:setups], label[setups:]


@dataclass(frozen=True)
class Anchors:
    """What resists a motion: unknowns that are held or weighted, and the pieces they hold.

    ``setup`` and ``point`` (2, n): number and component of each such unknown.
    ``piece_setup`` (S,) and ``piece_point`` (P,) number the connected pieces, -1 where
    nothing is solved. ``oriented`` are the pieces whose turn vectors or azimuths show.
    """

    setup: IntArray
    point: IntArray
    piece_setup: IntArray
    piece_point: IntArray
    oriented: frozenset[int] = frozenset()

    def unmoved(self, piece: int) -> FloatArray:
        """Return the rows of motions that the observations of a piece alone rule out."""
        if piece in self.oriented:
            return TURN
        return LEVELLED[: 0 if (self.piece_setup == piece).any() else len(LEVELLED)]


def free_motions(axis: FloatArray, position: FloatArray, anchors: Anchors) -> Motions:
    """Return the motions that nothing resists: the rank defect, piece by piece.

    ``axis`` (S, 3) and ``position`` (P, 3) in m.
    """
    setup, point = anchors.setup[0], anchors.point[0]
    resisting = np.concatenate(
        [
            motion_rows(axis[setup], anchors.setup[1]),
            motion_rows(position[point], anchors.point[1]),
        ]
    )
    piece = np.concatenate([anchors.piece_setup[setup], anchors.piece_point[point]])
    every = set(anchors.piece_setup.tolist()) | set(anchors.piece_point.tolist())
    open_ = {
        number: _null_space(np.concatenate([resisting[piece == number], anchors.unmoved(number)]))
        for number in sorted(every - {-1})
    }
    setup_columns = [np.zeros((len(axis), 4, 0))]
    point_columns = [np.zeros((len(position), 3, 0))]
    if any(columns.size for columns in open_.values()):
        rigid = rigid_motions(axis, position)
        for number, columns in open_.items():
            own = anchors.piece_setup == number, anchors.piece_point == number
            setup_columns.append(np.where(own[0][:, None, None], rigid.setup @ columns, 0.0))
            point_columns.append(np.where(own[1][:, None, None], rigid.point @ columns, 0.0))
    motions = Motions(np.concatenate(setup_columns, axis=2), np.concatenate(point_columns, axis=2))
    motions.setup[tuple(anchors.setup)] = 0.0  # not quite, by rounding
    motions.point[tuple(anchors.point)] = 0.0
    return motions


def _null_space(resisting: FloatArray) -> FloatArray:
    """Return the combinations (4, q) of motions that no row of ``resisting`` (n, 4) resists."""
    scale = np.maximum(np.abs(resisting).max(axis=0, initial=0.0), 1.0)
    filled = np.concatenate([resisting / scale, np.zeros((MOTIONS, MOTIONS))])
    _, size, right = np.linalg.svd(filled, full_matrices=False)
    rank = int((size > INDEPENDENT * size.max(initial=1.0)).sum())
    return np.asarray(right[rank:].T / scale[:, None])


def minimal_hold(motions: Motions, held: Held) -> Held:
    """Hold as many unknowns as there are free motions, so that nothing can move.

    Picks for each motion in turn the unknown that it moves most relative to those already
    picked (pivoting); setups come first because every piece with sights has one.
    """
    if not motions.count:
        return held
    setup, point = held.setup.copy(), held.point.copy()
    unknowns = setup.size
    flat = motions.setup.reshape(unknowns, motions.count)
    left = np.concatenate([flat, motions.point.reshape(point.size, motions.count)])
    left[np.concatenate([setup.ravel(), point.ravel()])] = 0.0
    if setup.size:
        left[:unknowns] *= 1e3  # prefer setups: their orientation turns the whole piece
    for _ in range(motions.count):
        pick = np.unravel_index(int(np.argmax(np.abs(left))), left.shape)
        if abs(left[pick]) < INDEPENDENT:
            break  # what is left moves nothing that is free
        row = left[pick[0]] / left[pick]
        if pick[0] < unknowns:
            setup.flat[pick[0]] = True
        else:
            point.flat[pick[0] - unknowns] = True
        column = left[:, pick[1]].copy()
        left -= np.outer(column, row)
        left[:, pick[1]] = 0.0
    return Held(setup, point)


def inner_conditions(motions: Motions, datum_points: BoolArray) -> Conditions:
    """Return the inner constraints over ``datum_points`` (P,): B = G on those marks."""
    return Conditions(
        np.zeros_like(motions.setup), np.where(datum_points[:, None, None], motions.point, 0.0)
    )


@dataclass(frozen=True)
class Transfer:
    """The covariance transfer: Q' = Q - G X' - X G' with G and X over all unknowns.

    ``conditions`` B are those of the frame.
    """

    motions: Motions
    setup: FloatArray
    point: FloatArray
    conditions: Conditions

    def in_frame(self, setup: FloatArray, point: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Carry changes of setups (S, 4, h) and points (P, 3, h) over to the frame: S x."""
        if not self.motions.count:
            return setup, point
        normal = _inner(self.conditions, self.motions.setup, self.motions.point)
        amount = np.linalg.solve(normal, _inner(self.conditions, setup, point))
        return setup - self.motions.setup @ amount, point - self.motions.point @ amount

    def setup_block(self, setup: IntArray) -> FloatArray:
        """Return what to add to the (4, 4) covariance blocks of the given setups."""
        cross = self.motions.setup[setup] @ self.setup[setup].transpose(0, 2, 1)
        return -(cross + cross.transpose(0, 2, 1))

    def point_block(self, point: IntArray) -> FloatArray:
        """Return what to add to the (3, 3) covariance blocks of the given points."""
        cross = self.motions.point[point] @ self.point[point].transpose(0, 2, 1)
        return -(cross + cross.transpose(0, 2, 1))


def make_transfer(
    motions: Motions, conditions: Conditions, weighted: tuple[FloatArray, FloatArray]
) -> Transfer:
    """Build the transfer from ``weighted`` = (W_setup, W_point) = Q B in the held datum."""
    w_setup, w_point = weighted
    inverse = np.linalg.inv(_inner(conditions, motions.setup, motions.point))
    spread = _inner(conditions, w_setup, w_point)
    half = 0.5 * inverse @ spread @ inverse.T
    return Transfer(
        motions,
        w_setup @ inverse.T - motions.setup @ half,
        w_point @ inverse.T - motions.point @ half,
        conditions,
    )


def shift_to_frame(
    motions: Motions, conditions: Conditions, setup: FloatArray, point: FloatArray
) -> FloatArray:
    """Return the amounts (q,) of each motion that bring B'x to 0.

    ``setup`` (S, 4) and ``point`` (P, 3) are the departures from the frame's own values.
    """
    amount = _inner(conditions, setup[:, :, None], point[:, :, None])[:, 0]
    return np.asarray(-np.linalg.solve(_inner(conditions, motions.setup, motions.point), amount))


def _inner(conditions: Conditions, setup: FloatArray, point: FloatArray) -> FloatArray:
    """Return B' y for y given as (S, 4, m) and (P, 3, m)."""
    return np.asarray(
        np.einsum("suq,sum->qm", conditions.setup, setup)
        + np.einsum("puq,pum->qm", conditions.point, point)
    )
