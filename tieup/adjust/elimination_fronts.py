"""Where every block of a system goes in the fronts of its elimination: indices only.

A front holds three arrays, in elimination order: ``pivot`` (the nodes eliminated here
by themselves), ``under`` (its boundary by them), ``update`` (the boundary by itself, which
goes on to the parent). Blocks of the system land in the first two; updates of children
land in all three, a run of consecutive nodes at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.adjust.dissection import dissect
from tieup.model.arrays import FloatArray, IntArray

SIZE = 4  # unknowns of a node
PIVOT, UNDER, UPDATE = range(3)


@dataclass(frozen=True)
class Patch:
    """A rectangle of a child's update: from where, and to where in which array."""

    target: int
    rows: slice
    columns: slice
    from_rows: slice
    from_columns: slice


@dataclass(frozen=True)
class Blocks:
    """Lower blocks of the system that one array of a front takes: number and place in it."""

    number: IntArray
    row: IntArray
    column: IntArray


@dataclass(frozen=True)
class Placement:
    """One front. ``first``, ``last`` bound its pivots in elimination order.

    ``boundary`` (nb,) are later nodes in that order, ``unknowns`` their scalars (4 nb,).
    ``inside`` are the blocks among the pivots, ``outside`` those of boundary by pivot.
    ``patches`` say for each child where its update goes, lower triangle only.
    """

    first: int
    last: int
    boundary: IntArray
    unknowns: IntArray
    inside: Blocks
    outside: Blocks
    children: tuple[int, ...]
    patches: tuple[tuple[Patch, ...], ...]

    @property
    def pivots(self) -> slice:
        """Return the scalar unknowns of the pivots."""
        return slice(SIZE * self.first, SIZE * self.last)


@dataclass(frozen=True)
class Pattern:
    """The block structure of a system of n nodes and its elimination plan.

    ``row``, ``column`` (b,): the nodes of each lower block, row eliminated later.
    ``order`` (n,): the nodes in elimination order.
    """

    nodes: int
    row: IntArray
    column: IntArray
    order: IntArray
    plan: tuple[Placement, ...]


def make_pattern(edges: IntArray, place: FloatArray) -> Pattern:
    """Plan the elimination of a graph with unique ``edges`` (b, 2) and nodes at (n, 2)."""
    fronts, position = dissect(edges, place)
    ends = position[edges]
    row, column = ends.max(axis=1), ends.min(axis=1)
    by_column = np.argsort(column, kind="stable")
    starts = np.searchsorted(column[by_column], np.arange(len(place) + 1))
    boundaries = [position[front.boundary] for front in fronts]
    plan: list[Placement] = []
    first = 0
    for front, boundary in zip(fronts, boundaries, strict=True):
        last = first + len(front.pivots)
        number = by_column[starts[first] : starts[last]]
        inside, outside = _place_blocks(number, row, column, (first, last), boundary)
        patches = tuple(
            _patches(boundaries[child], first, last, boundary) for child in front.children
        )
        unknowns = (SIZE * boundary[:, None] + np.arange(SIZE)).ravel()
        plan.append(
            Placement(first, last, boundary, unknowns, inside, outside, front.children, patches)
        )
        first = last
    order = np.argsort(position)
    return Pattern(len(place), order[row], order[column], order, tuple(plan))


def _place_blocks(
    number: IntArray, row: IntArray, column: IntArray, pivots: tuple[int, int], boundary: IntArray
) -> tuple[Blocks, Blocks]:
    """Place the blocks whose column is a pivot; rows and columns count in elimination order."""
    first, last = pivots
    own = row[number] < last
    inside, outside = number[own], number[~own]
    return (
        Blocks(inside, row[inside] - first, column[inside] - first),
        Blocks(outside, np.searchsorted(boundary, row[outside]), column[outside] - first),
    )


def _patches(child: IntArray, first: int, last: int, boundary: IntArray) -> tuple[Patch, ...]:
    """Cut a child's boundary into runs that stay together in the parent, and pair them."""
    if not len(child):
        return ()
    is_pivot = child < last
    place = np.where(is_pivot, child - first, np.searchsorted(boundary, child))
    cuts = np.flatnonzero((np.diff(place) != 1) | (is_pivot[1:] != is_pivot[:-1])) + 1
    limits = [0, *cuts.tolist(), len(child)]
    runs = [
        (bool(is_pivot[start]), _scalars(place[start], end - start), _scalars(start, end - start))
        for start, end in pairwise(limits)
    ]
    return tuple(
        Patch(PIVOT if row_pivot else UNDER if column_pivot else UPDATE, rows, columns, *source)
        for number, (row_pivot, rows, from_rows) in enumerate(runs)
        for column_pivot, columns, from_columns in runs[: number + 1]
        for source in ((from_rows, from_columns),)
    )


def _scalars(start: int, count: int) -> slice:
    return slice(SIZE * int(start), SIZE * int(start + count))
