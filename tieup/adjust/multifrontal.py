"""Factor, solve and selectively invert a symmetric positive definite block system.

All blocks are 4 x 4. The matrix is given by its diagonal blocks and by its lower
off-diagonal blocks (row node eliminated after column node). The selected inverse has
the inverse's blocks at the same places: what precision and reliability of a network
need, at the cost of a factorisation; the full inverse is never formed.

References: Liu (1992), The multifrontal method for sparse matrix solution; Takahashi,
Fagan and Chin (1973) for the inverse from the factor, here front by front.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.dissection import Front, dissect
from tieup.model.arrays import FloatArray, IntArray

SIZE = 4
DEPENDENT = 1e-11  # a pivot this small against its diagonal leaves no digits


class DependentUnknownError(Exception):
    """An unknown is not determined; carries its node and its place in the block."""

    def __init__(self, node: int, component: int) -> None:
        super().__init__(f"node {node} component {component}")
        self.node = node
        self.component = component


@dataclass(frozen=True)
class Placement:
    """Where things go in one front: precomputed indices.

    ``blocks`` number the lower blocks assembled here, ``rows``/``columns`` their local
    nodes; ``unknowns`` (f,) the scalar unknowns of pivots then boundary; ``into`` maps
    each child's boundary to local scalars; ``pivot_size`` counts pivot scalars.
    """

    pivots: IntArray
    blocks: IntArray
    rows: IntArray
    columns: IntArray
    unknowns: IntArray
    pivot_size: int
    children: tuple[int, ...]
    into: tuple[IntArray, ...]


@dataclass(frozen=True)
class Pattern:
    """The block structure of a system of n nodes and its elimination plan.

    ``row``, ``column`` (b,): the nodes of each lower block, row eliminated later.
    """

    nodes: int
    row: IntArray
    column: IntArray
    plan: tuple[Placement, ...]


@dataclass(frozen=True)
class Factor:
    """Cholesky factor by fronts: ``pivot`` lower triangles and ``below`` them (nb, np)."""

    pattern: Pattern
    pivot: tuple[FloatArray, ...]
    below: tuple[FloatArray, ...]


def make_pattern(edges: IntArray, place: FloatArray) -> Pattern:
    """Plan the elimination of a graph with unique ``edges`` (b, 2) and nodes at (n, 2)."""
    fronts, position = dissect(edges, place)
    later_first = position[edges[:, 0]] > position[edges[:, 1]]
    row = np.where(later_first, edges[:, 0], edges[:, 1])
    column = np.where(later_first, edges[:, 1], edges[:, 0])
    by_column = np.argsort(position[column], kind="stable")
    starts = np.searchsorted(position[column][by_column], np.arange(len(place) + 1))
    plan, done = [], 0
    local = np.empty(len(place), dtype=np.int64)
    for front in fronts:
        until = done + len(front.pivots)
        blocks = by_column[starts[done] : starts[until]]
        plan.append(_place(front, fronts, blocks, row, column, local))
        done = until
    return Pattern(len(place), row, column, tuple(plan))


def _place(
    front: Front,
    fronts: list[Front],
    blocks: IntArray,
    row: IntArray,
    column: IntArray,
    local: IntArray,
) -> Placement:
    nodes = np.concatenate([front.pivots, front.boundary])
    local[nodes] = np.arange(len(nodes))
    into = tuple(_scalars(local[fronts[child].boundary]) for child in front.children)
    return Placement(
        pivots=front.pivots,
        blocks=blocks,
        rows=local[row[blocks]],
        columns=local[column[blocks]],
        unknowns=_scalars(nodes),
        pivot_size=SIZE * len(front.pivots),
        children=front.children,
        into=into,
    )


def _scalars(nodes: IntArray) -> IntArray:
    return (SIZE * nodes[:, None] + np.arange(SIZE)).ravel()


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
    pivots: list[FloatArray] = []
    below: list[FloatArray] = []
    updates: dict[int, FloatArray] = {}
    for number, place in enumerate(pattern.plan):
        front = _assemble(place, diagonal, lower)
        for child, into in zip(place.children, place.into, strict=True):
            front[np.ix_(into, into)] += updates.pop(child)
        size = place.pivot_size
        factor = _cholesky(front[:size, :size], place, scale)
        under = _lower_solve(factor, front[:size, size:]).T
        updates[number] = front[size:, size:] - under @ under.T
        pivots.append(factor)
        below.append(under)
    return Factor(pattern, tuple(pivots), tuple(below))


def _assemble(place: Placement, diagonal: FloatArray, lower: FloatArray) -> FloatArray:
    nodes = len(place.unknowns) // SIZE
    blocks = np.zeros((nodes, nodes, SIZE, SIZE))
    pivots = np.arange(len(place.pivots))
    blocks[pivots, pivots] = diagonal[place.pivots]
    values = lower[place.blocks]
    blocks[place.rows, place.columns] = values
    blocks[place.columns, place.rows] = values.transpose(0, 2, 1)
    return blocks.transpose(0, 2, 1, 3).reshape(nodes * SIZE, nodes * SIZE)


def _cholesky(matrix: FloatArray, place: Placement, scale: FloatArray) -> FloatArray:
    """Return the lower Cholesky factor, naming the unknown at which it breaks down."""
    from scipy.linalg.lapack import dpotrf

    factor, info = dpotrf(matrix, lower=1, clean=1)
    sizes = scale[place.pivots].ravel()
    small = np.diagonal(factor) ** 2 <= DEPENDENT * sizes
    if info > 0:
        small[info - 1] = True
    if small.any():
        worst = int(np.flatnonzero(small)[0])
        raise DependentUnknownError(int(place.pivots[worst // SIZE]), worst % SIZE)
    return np.asarray(factor)


def _lower_solve(factor: FloatArray, right: FloatArray, transposed: bool = False) -> FloatArray:
    from scipy.linalg.lapack import dtrtrs

    if right.shape[1] == 0:
        return right
    solution, _ = dtrtrs(factor, right, lower=1, trans=int(transposed))
    return np.asarray(solution)


def solve(factor: Factor, right: FloatArray) -> FloatArray:
    """Solve for right-hand sides of shape (n, 4, q); returns the same shape."""
    shape = right.shape
    x = right.reshape(factor.pattern.nodes * SIZE, -1).copy()
    for place, pivot, under in zip(factor.pattern.plan, factor.pivot, factor.below, strict=True):
        own, rest = place.unknowns[: place.pivot_size], place.unknowns[place.pivot_size :]
        x[own] = _lower_solve(pivot, x[own])
        x[rest] -= under @ x[own]
    backwards = zip(
        reversed(factor.pattern.plan), reversed(factor.pivot), reversed(factor.below), strict=True
    )
    for place, pivot, under in backwards:
        own, rest = place.unknowns[: place.pivot_size], place.unknowns[place.pivot_size :]
        x[own] = _lower_solve(pivot, x[own] - under.T @ x[rest], transposed=True)
    return x.reshape(shape)


def selected_inverse(factor: Factor) -> tuple[FloatArray, FloatArray]:
    """Return the inverse's diagonal blocks (n, 4, 4) and lower blocks (b, 4, 4)."""
    pattern = factor.pattern
    diagonal = np.empty((pattern.nodes, SIZE, SIZE))
    lower = np.empty((len(pattern.row), SIZE, SIZE))
    boundary: dict[int, FloatArray] = {}
    for number in reversed(range(len(pattern.plan))):
        place = pattern.plan[number]
        outer = boundary.pop(number, np.zeros((0, 0)))
        whole = _front_inverse(factor.pivot[number], factor.below[number], outer)
        nodes = len(place.unknowns) // SIZE
        blocks = whole.reshape(nodes, SIZE, nodes, SIZE)
        pivots = np.arange(len(place.pivots))
        diagonal[place.pivots] = blocks[pivots, :, pivots, :]
        lower[place.blocks] = blocks[place.rows, :, place.columns, :]
        for child, into in zip(place.children, place.into, strict=True):
            boundary[child] = whole[np.ix_(into, into)]
    return diagonal, lower


def _front_inverse(pivot: FloatArray, under: FloatArray, outer: FloatArray) -> FloatArray:
    """Return the inverse on pivots and boundary, given the inverse on the boundary."""
    size = len(pivot)
    own = _lower_solve(pivot, np.eye(size))
    transfer = under @ own
    whole = np.empty((size + len(outer), size + len(outer)))
    cross = outer @ transfer
    whole[size:, size:] = outer
    whole[size:, :size] = -cross
    whole[:size, size:] = -cross.T
    whole[:size, :size] = own.T @ own + transfer.T @ cross
    return whole
