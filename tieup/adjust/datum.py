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
    """Return the four motions at axis (S, 3) and position (P, 3) in m; NaN counts as 0."""

    def columns(place: FloatArray, unknowns: int) -> FloatArray:
        motion = np.zeros((len(place), unknowns, MOTIONS))
        motion[:, [0, 1, 2], [0, 1, 2]] = 1.0
        motion[:, 0, 3] = -np.nan_to_num(place[:, 1])
        motion[:, 1, 3] = np.nan_to_num(place[:, 0])
        motion[:, 3:, 3] = 1.0
        return motion

    return Motions(columns(axis, 4), columns(position, 3))


def pieces(
    setup: IntArray, point: IntArray, links: IntArray, setups: int, points: int
) -> tuple[IntArray, IntArray]:
    """Number the connected pieces of setups (S,) and points (P,) joined by observations."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    start = np.concatenate([setup, setups + links[:, 0]])
    end = setups + np.concatenate([point, links[:, 1]])
    size = setups + points
    graph = coo_array((np.ones(len(start)), (start, end)), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    return label[:setups], label[setups:]


def free_motions(
    rigid: Motions,
    bound_setup: BoolArray,
    bound_point: BoolArray,
    piece_setup: IntArray,
    piece_point: IntArray,
) -> Motions:
    """Return the motions that nothing resists: the rank defect, piece by piece.

    ``bound_setup`` (S, 4) and ``bound_point`` (P, 3) mark unknowns that are held or weighted.
    Only pieces of ``piece_setup``/``piece_point`` numbers >= 0 count.
    """
    setup_columns, point_columns = [], []
    for piece in np.unique(np.concatenate([piece_setup, piece_point])):
        if piece < 0:
            continue
        own_setup, own_point = piece_setup == piece, piece_point == piece
        resisting = np.concatenate(
            [
                rigid.setup[bound_setup & own_setup[:, None]],
                rigid.point[bound_point & own_point[:, None]],
            ]
        )
        open_ = _null_space(resisting)
        setup_columns.append(np.where(own_setup[:, None, None], rigid.setup @ open_, 0.0))
        point_columns.append(np.where(own_point[:, None, None], rigid.point @ open_, 0.0))
    if not setup_columns:
        return Motions(rigid.setup[:, :, :0], rigid.point[:, :, :0])
    return Motions(np.concatenate(setup_columns, axis=2), np.concatenate(point_columns, axis=2))


def _null_space(resisting: FloatArray) -> FloatArray:
    """Return the combinations (4, q) of motions that no row of ``resisting`` (n, 4) resists."""
    if not len(resisting):
        return np.eye(MOTIONS)
    scale = np.maximum(np.abs(resisting).max(axis=0), 1.0)
    _, size, right = np.linalg.svd(resisting / scale)
    rank = int((size > INDEPENDENT * size.max(initial=1.0)).sum())
    return np.asarray(right[rank:].T / scale[:, None])


def minimal_hold(motions: Motions, held: Held) -> Held:
    """Hold as many unknowns as there are free motions, so that nothing can move.

    Picks for each motion in turn the unknown that it moves most relative to those already
    picked (pivoting); setups come first because every piece with sights has one.
    """
    setup, point = held.setup.copy(), held.point.copy()
    unknowns = setup.size
    left = np.concatenate(
        [motions.setup.reshape(unknowns, -1), motions.point.reshape(point.size, -1)]
    )
    left[np.concatenate([setup.ravel(), point.ravel()])] = 0.0
    if setup.size:
        left[:unknowns] *= 1e3  # prefer setups: their orientation turns the whole piece
    for _ in range(motions.count):
        pick = np.unravel_index(int(np.argmax(np.abs(left))), left.shape)
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
    """The covariance transfer: Q' = Q - G X' - X G' with G and X over all unknowns."""

    motions: Motions
    setup: FloatArray
    point: FloatArray

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
