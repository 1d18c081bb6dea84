"""The cofactor matrix Q = N^-1, asked for in products: whatever a run wants to know of it.

Q is never formed. A question is F Q F', F (f, u) the sparse rows of linear functions of the
unknowns of the system, so that each row of F is solved for once. Unknowns stand in the order of
the system: four of each setup (N, E, H in m, turn in rad), then three of each mark, then the turns
of bases of bearings. A point that nothing checks is no unknown: it is a function of its setup, and
has a part of its own.

What speaks of a few unknowns at a time is asked where they are (`tieup.adjust.local_covariances`).

References: law of propagation of cofactors, e.g. Ghilani, Adjustment Computations, ch. 6.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

import numpy as np
from scipy.sparse import block_diag, bsr_array, coo_array, csr_array, vstack

from tieup.adjust import elimination
from tieup.adjust.local_covariances import local_covariances
from tieup.adjust.solution import Adjustment
from tieup.adjust.turn_border import Columns
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.threads import one_thread

BATCH = 4e5  # numbers moved through the factor at once


@dataclass(frozen=True)
class Functions:
    """f linear functions of the unknowns: ``rows`` (f, u), and what no unknown explains.

    ``own`` (f, f) is the covariance of that, in the square of the functions' unit.
    """

    rows: csr_array
    own: csr_array


def point_functions(adjustment: Adjustment, points: IntArray) -> Functions:
    """Return the three coordinates of each of ``points`` (n,): 3n functions."""
    by_point = np.broadcast_to(np.eye(3), (len(points), 3, 3))
    nothing = np.zeros((len(points), 3, 4))
    return sight_functions(adjustment, np.zeros_like(points), points, nothing, by_point)


def unknown_functions(adjustment: Adjustment, setups: IntArray, points: IntArray) -> Functions:
    """Return the four unknowns of each of ``setups`` (s,), then the coordinates of ``points``."""
    by_setup = np.broadcast_to(np.eye(4), (len(setups), 4, 4))
    row = np.arange(4 * len(setups)).reshape(-1, 4, 1) + np.zeros(4, np.int64)
    part = row, _columns(4 * setups, by_setup), by_setup
    rows = _gathered(adjustment, 4 * len(setups), [part])
    marks = point_functions(adjustment, points)
    none = csr_array((len(row) * 4,) * 2)
    return Functions(
        csr_array(vstack([rows, marks.rows], format="csr")),
        csr_array(block_diag([none, marks.own], format="csr")),
    )


def sight_functions(
    adjustment: Adjustment,
    setup: IntArray,
    point: IntArray,
    by_setup: FloatArray,
    by_point: FloatArray,
) -> Functions:
    """Return r functions of each of n setups and points: n r of them.

    ``by_setup`` (n, r, 4) and ``by_point`` (n, r, 3) are their derivatives. A point without
    unknowns of its own, and without a setup that it hangs on, has its covariance for its own.
    """
    structure, aside = adjustment.system.structure, adjustment.aside
    number, hangs = np.full((2, len(adjustment.position)), -1)
    number[structure.marks] = np.arange(len(structure.marks))
    hangs[aside.connections.point] = np.arange(len(aside.connections))
    inside, outside = np.flatnonzero(number[point] >= 0), np.flatnonzero(number[point] < 0)
    hung = outside[hangs[point[outside]] >= 0]
    row = np.arange(by_setup.shape[0] * by_setup.shape[1]).reshape(*by_setup.shape[:2], 1)
    first = 4 * structure.setups + 3 * number[point[inside]]
    parts = [
        (row + np.zeros(4, np.int64), _columns(4 * setup, by_setup), by_setup),
        (
            row[inside] + np.zeros(3, np.int64),
            _columns(first, by_point[inside]),
            by_point[inside],
        ),
    ]
    if len(hung):
        sight = hangs[point[hung]]
        arm = by_point[hung] @ aside.by_setup[sight]
        holder = _columns(4 * aside.connections.setup[sight], arm)
        parts.append((row[hung] + np.zeros(4, np.int64), holder, arm))
    rows = _gathered(adjustment, row.size, parts)
    if not len(outside):
        return Functions(rows, csr_array((row.size, row.size)))
    return Functions(rows, _own(adjustment, hangs, point, outside, by_point))


def _own(
    adjustment: Adjustment,
    hangs: IntArray,
    point: IntArray,
    outside: IntArray,
    by_point: FloatArray,
) -> csr_array:
    """Return the covariance of what no unknown explains: that of points outside the system."""
    points, of_point = np.unique(point[outside], return_inverse=True)
    own = np.nan_to_num(adjustment.point_covariance[points])
    hung = hangs[points] >= 0
    if hung.any():
        own[hung] = adjustment.aside.own[hangs[points[hung]]]
    count, each = by_point.shape[:2]
    spread = bsr_array(
        (own, np.arange(len(points)), np.arange(len(points) + 1)), shape=(3 * len(points),) * 2
    )
    part = by_point[outside]
    row = (each * outside[:, None] + np.arange(each))[:, :, None] + np.zeros(3, np.int64)
    shape = count * each, 3 * len(points)
    column = _columns(3 * of_point.reshape(-1), part)
    by_own = coo_array((part.ravel(), (row.ravel(), column.ravel())), shape=shape).tocsr()
    return csr_array(by_own @ spread @ by_own.T)


def _columns(first: IntArray, values: FloatArray) -> IntArray:
    """Return the column of every element of ``values`` (n, r, k) whose first ones are given."""
    return np.broadcast_to(first[:, None, None] + np.arange(values.shape[2]), values.shape)


def _gathered(
    adjustment: Adjustment, count: int, parts: list[tuple[IntArray, IntArray, FloatArray]]
) -> csr_array:
    """Return the rows (count, u) of row numbers, columns and values; what meets is summed."""
    row, column, value = (np.concatenate([part[k].ravel() for part in parts]) for k in range(3))
    there = value != 0
    shape = count, adjustment.system.unknowns
    return coo_array((value[there], (row[there], column[there])), shape=shape).tocsr()


def cofactors(
    adjustment: Adjustment, rows: csr_array, edges: IntArray | None = None
) -> Iterator[tuple[slice, FloatArray]]:
    """Give Q F' (u, h) of some functions at a time, with their numbers.

    ``rows`` (f, u). ``edges`` (g + 1,), the first 0, keep the functions between two of them
    together. In the datum in which the system was solved; 0 for held unknowns.
    """
    structure, turns = adjustment.system.structure, adjustment.system.border.bases.count
    free = _free(adjustment)
    cut, end_of_marks = 4 * structure.setups, len(free) - turns
    ends = np.arange(1, rows.shape[0] + 1) if edges is None else edges[1:]
    batch = (ends // max(BATCH / _size(adjustment), 1.0)).astype(np.int64)
    start = 0
    for end in ends[np.flatnonzero(np.diff(batch, append=-1))].tolist():
        right = rows[start:end].T.toarray() * free[:, None]
        width = end - start
        with one_thread():
            solved = elimination.solve(
                adjustment.system,
                Columns(
                    right[:cut].reshape(-1, 4, width),
                    right[cut:end_of_marks].reshape(-1, 3, width),
                    right[end_of_marks:],
                ),
            )
        yield slice(start, end), solved.stacked()
        start = end


def covariance(adjustment: Adjustment, functions: Functions) -> FloatArray:
    """Return the joint covariance (f, f) of all functions, in the frame of the solution."""
    matrix = functions.own.toarray()
    for span, solved in cofactors(adjustment, functions.rows):
        matrix[:, span] += functions.rows @ solved
    transfer, marks = adjustment.transfer, adjustment.system.structure.marks
    if transfer.motions.count:
        motions = transfer.motions
        moved = Columns(motions.setup, motions.point[marks], motions.turn).stacked()
        weight = Columns(transfer.setup, transfer.point[marks], transfer.turn).stacked()
        moved, weight = functions.rows @ moved, functions.rows @ weight
        matrix -= moved @ weight.T + weight @ moved.T
    return np.asarray((matrix + matrix.T) / 2.0)


def group_cofactors(
    adjustment: Adjustment, rows: csr_array, edges: IntArray
) -> Iterator[tuple[slice, FloatArray]]:
    """Give Q F' (u, h) of each group of functions, those between two ``edges``."""
    groups = pairwise(edges.tolist())
    for span, solved in cofactors(adjustment, rows, edges):
        stop = span.start
        while stop < span.stop:
            start, stop = next(groups)
            yield slice(start, stop), solved[:, start - span.start : stop - span.start]


def group_covariances(
    adjustment: Adjustment, functions: Functions, edges: IntArray
) -> list[FloatArray]:
    """Return the joint covariance (h, h) of each group of functions, those between two ``edges``.

    In the datum in which the system was solved: for quantities that a motion of the whole site
    does not change.
    """
    rows = functions.rows.copy()
    rows.data = rows.data * _free(adjustment)[rows.indices]
    rows.eliminate_zeros()
    spreads = local_covariances(adjustment.system, rows, edges)
    if not functions.own.nnz:
        return spreads
    groups = [slice(*ends) for ends in pairwise(edges.tolist())]
    return [
        spread + functions.own[own, own].toarray()
        for spread, own in zip(spreads, groups, strict=True)
    ]


def _free(adjustment: Adjustment) -> BoolArray:
    """Say which unknowns of the system (u,) are not held."""
    held, structure = adjustment.held, adjustment.system.structure
    turns = np.zeros(adjustment.system.border.bases.count, np.bool_)
    return ~np.concatenate([held.setup.ravel(), held.point[structure.marks].ravel(), turns])


def point_covariance(adjustment: Adjustment, points: IntArray) -> FloatArray:
    """Return the joint covariance (n, 3, n, 3) in m^2 of ``points`` (n,), in the frame.

    Rows of unsolved points are NaN.
    """
    joint = covariance(adjustment, point_functions(adjustment, points))
    joint = joint.reshape(len(points), 3, len(points), 3)
    unsolved = ~adjustment.problem.solved_point[points]
    joint[unsolved] = np.nan
    joint[:, :, unsolved] = np.nan
    return joint


def group_point_covariances(adjustment: Adjustment, groups: Sequence[IntArray]) -> list[FloatArray]:
    """Return the joint covariance (3k, 3k) in m^2 of each small group of k points.

    In the datum in which the system was solved, as those of `group_covariances`.
    """
    if not groups:
        return []
    edges = 3 * np.array([*accumulate((len(points) for points in groups), initial=0)])
    functions = point_functions(adjustment, np.concatenate(groups))
    return group_covariances(adjustment, functions, edges)


def in_frame(adjustment: Adjustment, solved: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return changes of the unknowns (u, h) as those of setups (S, 4, h) and points (P, 3, h).

    In the frame of the solution; 0 for points that are no unknowns.
    """
    structure, width = adjustment.system.structure, solved.shape[1]
    cut, end = 4 * structure.setups, len(solved) - adjustment.system.border.bases.count
    point = np.zeros((len(adjustment.position), 3, width))
    point[structure.marks] = solved[cut:end].reshape(-1, 3, width)
    return adjustment.transfer.in_frame(solved[:cut].reshape(-1, 4, width), point)


def _size(adjustment: Adjustment) -> int:
    """Return how many numbers of the factor one column meets."""
    structure = adjustment.system.structure
    return len(structure.incidences) + len(structure.marks) + structure.setups
