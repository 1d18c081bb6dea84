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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import block_diag

from tieup.adjust.elimination import Held
from tieup.adjust.turn_border import Columns
from tieup.model.arrays import BoolArray, FloatArray, IntArray

MOTIONS = 4  # shift N, shift E, shift H, turn about the vertical
LEVELLED = np.eye(MOTIONS)[[0, 1, 3]]  # what a piece of level runs alone cannot do: move in plan
TURN = np.eye(MOTIONS)[3:]  # what a piece with vectors or azimuths cannot do: turn
BY_TURN = 3  # the motion that is a turn
INDEPENDENT = 1e-9  # relative size below which a motion is not held by control


@dataclass(frozen=True)
class Motions:
    """Free motions of the unknowns: ``setup`` (S, 4, q), ``point`` (P, 3, q), ``turn`` (g, q).

    The turns of bases of bearings go along with the site.
    """

    setup: FloatArray
    point: FloatArray
    turn: FloatArray

    @property
    def columns(self) -> Columns:
        """Return them over all unknowns."""
        return Columns(self.setup, self.point, self.turn)

    @property
    def count(self) -> int:
        """Return the rank defect q."""
        return int(self.setup.shape[2])


@dataclass(frozen=True)
class Conditions:
    """The frame: columns of B, ``setup`` (S, 4, q) and ``point`` (P, 3, q)."""

    setup: FloatArray
    point: FloatArray


def rigid_motions(axis: FloatArray, position: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the four motions of axis (S, 3) and position (P, 3) in m."""

    def columns(place: FloatArray, unknowns: int) -> FloatArray:
        rows = [motion_rows(place, np.full(len(place), u)) for u in range(unknowns)]
        return np.stack(rows, axis=1)

    return columns(axis, 4), columns(position, 3)


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
    nothing is solved. ``oriented`` are the pieces whose turn vectors or azimuths show. ``bases``
    are the pieces in which each basis of bearings (g,) has azimuths: these turn together.
    """

    setup: IntArray
    point: IntArray
    piece_setup: IntArray
    piece_point: IntArray
    oriented: frozenset[int] = frozenset()
    bases: tuple[tuple[int, ...], ...] = ()

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
    held = {
        number: np.concatenate([resisting[piece == number], anchors.unmoved(number)])
        for number in sorted(every - {-1})
    }
    open_ = _open(held, anchors.bases)
    width = sum(columns[next(iter(columns))].shape[1] for columns in open_)
    motions = Motions(
        np.zeros((len(axis), 4, width)),
        np.zeros((len(position), 3, width)),
        np.zeros((len(anchors.bases), width)),
    )
    if not width:
        return motions
    rigid, start = rigid_motions(axis, position), 0
    for together in open_:
        for number, columns in together.items():
            span = slice(start, start + columns.shape[1])
            own = anchors.piece_setup == number, anchors.piece_point == number
            motions.setup[own[0], :, span] = rigid[0][own[0]] @ columns
            motions.point[own[1], :, span] = rigid[1][own[1]] @ columns
            for basis, pieces_ in enumerate(anchors.bases):
                if number in pieces_[:1]:
                    motions.turn[basis, span] = columns[BY_TURN]
        start = span.stop
    motions.setup[tuple(anchors.setup)] = 0.0  # not quite, by rounding
    motions.point[tuple(anchors.point)] = 0.0
    return motions


def _open(
    held: Mapping[int, FloatArray], bases: Sequence[Sequence[int]]
) -> list[dict[int, FloatArray]]:
    """Return the combinations (4, q) of motions of each piece that nothing resists.

    ``held`` are the rows (n, 4) that resist those of each piece. Pieces that share a basis of
    bearings turn together, and so do those that share one with these: they stand side by side.
    """
    groups = [{number} for number in held]
    for basis in bases:
        tied = [group for group in groups if group & set(basis)]
        groups = [group for group in groups if group not in tied]
        groups += [set().union(*tied)] if tied else []
    found = []
    for group in groups:
        members = sorted(group)
        rows = [block_diag(*(held[number] for number in members))]
        for basis in bases:
            own = [members.index(number) for number in basis if number in group]
            for other in own[1:]:
                row = np.zeros((1, MOTIONS * len(members)))
                row[0, MOTIONS * own[0] + BY_TURN] = 1.0
                row[0, MOTIONS * other + BY_TURN] = -1.0
                rows.append(row)
        columns = _null_space(np.concatenate(rows)).reshape(len(members), MOTIONS, -1)
        found.append(dict(zip(members, columns, strict=True)))
    return found


def _null_space(resisting: FloatArray) -> FloatArray:
    """Return the combinations (u, q) of motions that no row of ``resisting`` (n, u) resists."""
    motions = resisting.shape[1]
    scale = np.maximum(np.abs(resisting).max(axis=0, initial=0.0), 1.0)
    filled = np.concatenate([resisting / scale, np.zeros((motions, motions))])
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

    X is ``setup`` (S, 4, q), ``point`` (P, 3, q), ``turn`` (g, q); ``conditions`` B are those of
    the frame.
    """

    motions: Motions
    setup: FloatArray
    point: FloatArray
    turn: FloatArray
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

    def with_turns(self) -> Columns:
        """Return what to add to the covariances (..., g) of all unknowns with the turns."""
        own = Columns(self.setup, self.point, self.turn)
        return Columns(
            *(
                -(moved @ self.turn.T + weighted @ self.motions.turn.T)
                for moved, weighted in zip(self.motions.columns, own, strict=True)
            )
        )


def make_transfer(motions: Motions, conditions: Conditions, weighted: Columns) -> Transfer:
    """Build the transfer from ``weighted`` = W = Q B in the held datum."""
    w_setup, w_point, w_turn = weighted
    inverse = np.linalg.inv(_inner(conditions, motions.setup, motions.point))
    spread = _inner(conditions, w_setup, w_point)
    half = 0.5 * inverse @ spread @ inverse.T
    return Transfer(
        motions,
        w_setup @ inverse.T - motions.setup @ half,
        w_point @ inverse.T - motions.point @ half,
        w_turn @ inverse.T - motions.turn @ half,
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
