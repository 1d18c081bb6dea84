"""Factor, solve and selectively invert a symmetric positive definite block system.

All blocks are 4 x 4. The matrix is given by its diagonal blocks and by its lower
off-diagonal blocks (row node eliminated after column node). The selected inverse has
the inverse's blocks at the same places: what precision and reliability of a network
need, at the cost of a factorisation; the full inverse is never formed.

Only lower triangles are filled; what stands above the diagonal of a front means nothing.

References: Liu (1992), The multifrontal method for sparse matrix solution; Takahashi,
Fagan and Chin (1973) for the inverse from the factor, here front by front.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.blas import dgemm, dsymm, dsyrk, dtrsm
from scipy.linalg.lapack import dpotrf, dpotri

from tieup.adjust.elimination_fronts import SIZE, Blocks, Patch, Pattern, Placement
from tieup.model.arrays import FloatArray, IntArray

DEPENDENT = 1e-11  # a pivot this small against its diagonal leaves no digits

Arrays = tuple[FloatArray, FloatArray, FloatArray]  # pivot, under, update


class DependentUnknownError(Exception):
    """An unknown is not determined; carries its node and its place in the block."""

    def __init__(self, node: int, component: int) -> None:
        super().__init__(f"node {node} component {component}")
        self.node = node
        self.component = component


@dataclass(frozen=True)
class Factor:
    """Cholesky factor by fronts: ``pivot`` lower triangles and ``under`` them (nb, np)."""

    pattern: Pattern
    pivot: tuple[FloatArray, ...]
    under: tuple[FloatArray, ...]


def factorise(
    pattern: Pattern, diagonal: FloatArray, lower: FloatArray, scale: FloatArray
) -> Factor:
    """Factor the system with blocks ``diagonal`` (n, 4, 4) and ``lower`` (b, 4, 4).

    ``scale`` (n, 4) is the size each diagonal element had before anything was eliminated;
    pivots are judged against it.

    Raises
    ------
    DependentUnknownError
        When a pivot vanishes against its scale.
    """
    diagonal, scale = diagonal[pattern.order], scale[pattern.order]
    lower = np.ascontiguousarray(lower)
    pivots: list[FloatArray] = []
    unders: list[FloatArray] = []
    updates: dict[int, FloatArray] = {}
    for number, place in enumerate(pattern.plan):
        front = _assemble(place, diagonal, lower)
        for child, patches in zip(place.children, place.patches, strict=True):
            _add(front, updates.pop(child), patches)
        pivot, under, update = front
        if len(pivot):
            pivot = _cholesky(pivot, place, pattern, scale)
        if under.size:
            under = dtrsm(1.0, pivot, under, side=1, lower=1, trans_a=1, overwrite_b=1)
            update = dsyrk(-1.0, under, beta=1.0, c=update, lower=1, overwrite_c=1)
        updates[number] = update
        pivots.append(pivot)
        unders.append(under)
    return Factor(pattern, tuple(pivots), tuple(unders))


def _assemble(place: Placement, diagonal: FloatArray, lower: FloatArray) -> Arrays:
    """Return the arrays of a front with the system's own blocks in them, column by column."""
    nodes = place.last - place.first
    size, boundary = SIZE * nodes, len(place.unknowns)
    pivot = np.zeros((size, size), order="F")
    under = np.zeros((boundary, size), order="F")
    own = np.arange(nodes)
    by_block = _by_block(pivot)
    by_block[own, :, own, :] = diagonal[place.first : place.last]
    _place(by_block, lower, place.inside)
    _place(_by_block(under), lower, place.outside)
    return pivot, under, np.zeros((boundary, boundary), order="F")


def _by_block(array: FloatArray) -> FloatArray:
    """Return the view (column node, column, row node, row) of an array stored by columns."""
    rows, columns = array.shape
    return array.T.reshape(columns // SIZE, SIZE, rows // SIZE, SIZE)


def _place(by_block: FloatArray, lower: FloatArray, blocks: Blocks) -> None:
    values = np.take(lower, blocks.number, axis=0)
    by_block[blocks.column, :, blocks.row, :] = values.transpose(0, 2, 1)


def _add(front: Arrays, update: FloatArray, patches: tuple[Patch, ...]) -> None:
    """Add a child's update to its parent's arrays."""
    for patch in patches:
        front[patch.target][patch.rows, patch.columns] += update[
            patch.from_rows, patch.from_columns
        ]


def _cholesky(
    matrix: FloatArray, place: Placement, pattern: Pattern, scale: FloatArray
) -> FloatArray:
    """Return the lower Cholesky factor, naming the unknown at which it breaks down."""
    factor, info = dpotrf(matrix, lower=1, clean=1, overwrite_a=1)
    small = np.diagonal(factor) ** 2 <= DEPENDENT * scale[place.first : place.last].ravel()
    if info > 0:
        small[info - 1] = True
    if small.any():
        worst = int(np.flatnonzero(small)[0])
        node = pattern.order[place.first + worst // SIZE]
        raise DependentUnknownError(int(node), worst % SIZE)
    return np.asarray(factor)


def solve(factor: Factor, right: FloatArray) -> FloatArray:
    """Solve for right-hand sides of shape (n, 4, q); returns the same shape."""
    pattern = factor.pattern
    x = right[pattern.order].reshape(pattern.nodes * SIZE, -1)
    if not x.shape[1]:
        return np.zeros(right.shape)
    fronts = [f for f in zip(pattern.plan, factor.pivot, factor.under, strict=True) if len(f[1])]
    for place, pivot, under in fronts:
        x[place.pivots] = dtrsm(1.0, pivot, x[place.pivots], lower=1)
        x[place.unknowns] -= under @ x[place.pivots]
    for place, pivot, under in reversed(fronts):
        rest = x[place.pivots] - under.T @ x[place.unknowns]
        x[place.pivots] = dtrsm(1.0, pivot, rest, lower=1, trans_a=1)
    solution = np.empty(right.shape)
    solution[pattern.order] = x.reshape(right.shape)
    return solution


def selected_inverse(factor: Factor) -> tuple[FloatArray, FloatArray]:
    """Return the inverse's diagonal blocks (n, 4, 4) and lower blocks (b, 4, 4)."""
    pattern = factor.pattern
    diagonal = np.empty((pattern.nodes, SIZE, SIZE))
    lower = np.empty((len(pattern.row), SIZE, SIZE))
    boundary: dict[int, FloatArray] = {}
    for number in reversed(range(len(pattern.plan))):
        place = pattern.plan[number]
        outer = boundary.pop(number, np.zeros((0, 0)))
        whole = _front_inverse(factor.pivot[number], factor.under[number], outer)
        own = np.arange(place.last - place.first)
        by_block = _by_block(whole[0])
        diagonal[place.first : place.last] = by_block[own, :, own, :]
        _pick(by_block, lower, place.inside)
        _pick(_by_block(whole[1]), lower, place.outside)
        for child, patches in zip(place.children, place.patches, strict=True):
            boundary[child] = _cut(whole, patches)
    triangle = np.triu(diagonal)  # stored by columns: what is lower stands above
    inverse = np.empty_like(diagonal)
    inverse[pattern.order] = triangle + np.triu(triangle, 1).transpose(0, 2, 1)
    return inverse, lower


def forward(factor: Factor, unknowns: IntArray, right: FloatArray) -> FloatArray:
    """Return L^-1 b, b being ``right`` (k, q) at the ``unknowns`` (k,) and 0 elsewhere.

    Unknowns are numbered 4 a node in order of elimination. Only the fronts from there to the root
    are met, and only their rows returned.
    """
    path = _path(factor.pattern, unknowns // SIZE)
    plan = [factor.pattern.plan[number] for number in path]
    met = np.zeros(factor.pattern.nodes * SIZE, dtype=np.bool_)
    for place in plan:
        met[place.pivots] = True
    here = np.cumsum(met) - 1
    x = np.zeros((int(met.sum()), right.shape[1]))
    x[here[unknowns]] = right
    first = 0
    for number, place in zip(path, plan, strict=True):
        own = slice(first, first + SIZE * (place.last - place.first))
        x[own] = dtrsm(1.0, factor.pivot[number], x[own], lower=1)
        x[here[place.unknowns]] -= factor.under[number] @ x[own]
        first = own.stop
    return x


def _path(pattern: Pattern, positions: IntArray) -> list[int]:
    """Return the fronts of nodes at ``positions`` of the order, and all above them, in order."""
    parent = {child: n for n, place in enumerate(pattern.plan) for child in place.children}
    last = np.array([place.last for place in pattern.plan])
    path: set[int] = set()
    for front in np.unique(np.searchsorted(last, positions, side="right")).tolist():
        above: int | None = front
        while above is not None and above not in path:
            path.add(above)
            above = parent.get(above)
    return [n for n in sorted(path) if pattern.plan[n].last > pattern.plan[n].first]


def _pick(by_block: FloatArray, lower: FloatArray, blocks: Blocks) -> None:
    lower[blocks.number] = by_block[blocks.column, :, blocks.row, :].transpose(0, 2, 1)


def _cut(whole: Arrays, patches: tuple[Patch, ...]) -> FloatArray:
    """Return the inverse on a child's boundary out of its parent's."""
    size = patches[-1].from_rows.stop if patches else 0
    outer = np.zeros((size, size), order="F")
    for patch in patches:
        outer[patch.from_rows, patch.from_columns] = whole[patch.target][patch.rows, patch.columns]
    return outer


def _front_inverse(pivot: FloatArray, under: FloatArray, outer: FloatArray) -> Arrays:
    """Return the inverse of a front, given the inverse on its boundary.

    With L the pivot factor and U under it, T = U L^-1:
    outer' = Z, under' = -Z T, pivot' = (L L')^-1 + T' Z T.
    """
    if not len(pivot):
        return pivot, under, outer
    own, _ = dpotri(pivot, lower=1)
    if not len(under):
        return own, under, outer
    transfer = dtrsm(1.0, pivot, under, side=1, lower=1)
    cross = dsymm(-1.0, outer, transfer, lower=1)
    own = dgemm(-1.0, transfer, cross, beta=1.0, c=own, trans_a=1, overwrite_c=1)
    return own, cross, outer
