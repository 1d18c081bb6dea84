"""The turns of bases of bearings: a border of the normal equations.

A turn is in readings of many setups. As a node of the block system it would couple all of them;
as a border it leaves the blocks as they are. With N the normal matrix of setups and marks, B the
columns of the turns t and D their own part:

    Z = N^-1 B      C = (D - B'Z)^-1      t = C (b_t - Z'b)      x = N^-1 b - Z t

    Q_t = C         Q_x = N^-1 + Z C Z'          Q_x,t = -Z C

References: Ghilani, Adjustment Computations, partitioned (blocked) normal equations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.sparse import csr_array

from tieup.model.arrays import FloatArray, IntArray

DEPENDENT = 1e-9  # of what the azimuths of a basis weigh: that little left says nothing


class Columns(NamedTuple):
    """Columns over all unknowns: setups (S, 4, q), marks (m, 3, q), turns of bases (g, q)."""

    setup: FloatArray
    mark: FloatArray
    turn: FloatArray

    def stacked(self) -> FloatArray:
        """Return them over unknowns in one row (u, q)."""
        width = self.turn.shape[1]
        return np.concatenate(
            [self.setup.reshape(-1, width), self.mark.reshape(-1, width), self.turn]
        )


class UndeterminedTurnError(Exception):
    """The turn of a basis of bearings is not fixed by its azimuths; carries its number."""

    def __init__(self, basis: int) -> None:
        super().__init__(f"basis {basis}")
        self.basis = basis


@dataclass(frozen=True)
class Bases:
    """Which connections ``rows`` (b,) turn with a basis of bearings, its number, how many g."""

    rows: IntArray
    basis: IntArray
    count: int


NO_BASES = Bases(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), 0)


@dataclass(frozen=True)
class Border:
    """The turns: ``response`` Z over setups (S, 4, g) and marks (m, 3, g), ``cofactor`` C (g, g).

    ``by_turn`` (b,) are the whitened derivatives of the directions of ``bases``.
    """

    bases: Bases
    by_turn: FloatArray
    response: tuple[FloatArray, FloatArray]
    cofactor: FloatArray

    def solved(self, inner: tuple[FloatArray, FloatArray], right: Columns) -> Columns:
        """Return the solution for ``right`` from that with every turn known, N^-1 b."""
        if not self.bases.count:
            return Columns(*inner, right.turn)
        turn = self.cofactor @ (right.turn - _over(self.response, right[:2]))
        setup, mark = (part - z @ turn for part, z in zip(inner, self.response, strict=True))
        return Columns(setup, mark, turn)

    def halved(self, rows: csr_array) -> FloatArray:
        """Return E (f, g) of functions ``rows`` (f, u): E E' is what the turns add to F Q F'."""
        if not self.bases.count:
            return np.zeros((rows.shape[0], 0))
        response = Columns(*self.response, -np.eye(self.bases.count)).stacked()
        return np.asarray(rows @ response @ np.linalg.cholesky(self.cofactor))


def no_border(setups: int, marks: int) -> Border:
    """Return the border of a system without any basis of bearings."""
    response = np.zeros((setups, 4, 0)), np.zeros((marks, 3, 0))
    return Border(NO_BASES, np.zeros(0), response, np.zeros((0, 0)))


def make_border(
    bases: Bases,
    by_turn: FloatArray,
    by_setup: tuple[IntArray, FloatArray],
    by_mark: tuple[IntArray, FloatArray],
    sizes: tuple[int, int],
    solve: Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]],
) -> Border:
    """Build the border of a factored system; a basis without any azimuth stands still.

    Parameters
    ----------
    by_setup, by_mark
        Ends (b,) and whitened derivatives (b, 4) or (b, 3) of the directions of ``bases``.
    sizes
        How many setups and marks there are.
    solve
        N^-1 of columns over setups and marks.

    Raises
    ------
    UndeterminedTurnError
        A turn is not fixed by its azimuths.
    """
    right = []
    for count, (end, part) in zip(sizes, (by_setup, by_mark), strict=True):
        column = np.zeros((count, bases.count, part.shape[1]))
        np.add.at(column, (end, bases.basis), part * by_turn[:, None])
        right.append(column.transpose(0, 2, 1))
    response = solve(right[0], right[1])
    own = np.bincount(bases.basis, by_turn**2, minlength=bases.count)
    own = np.where(own > 0, own, 1.0)
    inner = np.diag(own) - _over((right[0], right[1]), response)
    return Border(bases, by_turn, response, _inverse(inner, np.sqrt(own)))


def _inverse(matrix: FloatArray, root: FloatArray) -> FloatArray:
    """Return the inverse of what is left of the turns (g, g); names one that is not fixed."""
    both = root[:, None] * root
    size, vectors = np.linalg.eigh(matrix / both)
    if size[0] <= DEPENDENT:
        raise UndeterminedTurnError(int(np.argmax(np.abs(vectors[:, 0]))))
    return np.asarray((vectors / size) @ vectors.T / both)


def _over(left: tuple[FloatArray, FloatArray], right: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Return left' right of columns over setups and marks."""
    setup, mark = (np.einsum("nug,nuq->gq", one, two) for one, two in zip(left, right, strict=True))
    return np.asarray(setup + mark)
