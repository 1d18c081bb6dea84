"""Covariances of functions of a few unknowns each, from the inverse where they are.

A function of marks that are eliminated is one of the setups that see them, and a part of its own:
with M = L L' of a mark, its coefficients f and the coupling W L' (`tieup.adjust.elimination`),

    f' M^-1 f = |L^-1 f|^2       on the setups    -W L^-1 f

What is left speaks of nodes. With N = L L' of these, F N^-1 F' is H'H, H = L^-1 F': half a
solution, and by the fronts from the nodes that are met to the root. Functions that are near each
other are taken together; where they are more than the unknowns that they meet, the inverse among
those is worked out instead. So a question costs what its place costs, whatever the site's size.

References: Ghilani, Adjustment Computations, ch. 6, for cofactors; George and Liu, Computer
Solution of Large Sparse Positive Definite Systems, ch. 5, for sparse right-hand sides.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.sparse import bsr_array, csr_array, hstack

from tieup.adjust import multifrontal
from tieup.adjust.elimination import Eliminated
from tieup.adjust.elimination_fronts import SIZE
from tieup.model.arrays import FloatArray, IntArray
from tieup.threads import one_thread

TOGETHER = 1000  # functions that are taken together


def local_covariances(system: Eliminated, rows: csr_array, edges: IntArray) -> list[FloatArray]:
    """Return F Q F' (h, h) of each group of functions, those between two ``edges`` (g + 1,).

    ``rows`` (f, u) are the functions by the unknowns of the system, 0 at held ones.
    """
    marks, nodes = _eliminated(system, rows)
    turns = system.border.halved(rows)
    found: list[FloatArray] = [np.zeros((0, 0))] * (len(edges) - 1)
    for batch in _batches(nodes, edges):
        own = np.concatenate([np.arange(edges[g], edges[g + 1]) for g in batch.tolist()])
        ends = np.cumsum(np.diff(edges)[batch])[:-1]
        half = np.concatenate([_met_columns(marks[own])[1], turns[own]], axis=1)
        spreads = _by_nodes(system, *_met_columns(nodes[own]), ends)
        for group, part, spread in zip(batch.tolist(), np.split(half, ends), spreads, strict=True):
            found[group] = part @ part.T + spread
    return found


def _by_nodes(
    system: Eliminated, met: IntArray, onto: FloatArray, ends: IntArray
) -> Iterator[FloatArray]:
    """Give F N^-1 F' of each group of functions ``onto`` (f, k) the unknowns ``met`` (k,) of nodes.

    ``ends`` (g - 1,) lie between the groups.
    """
    few = len(onto) < len(met)
    with one_thread():
        half = multifrontal.forward(system.factor, met, onto.T if few else np.eye(len(met)))
    if few:
        for part in np.split(half, ends, axis=1):
            yield part.T @ part
        return
    inverse = half.T @ half
    for part in np.split(onto, ends):
        here = np.flatnonzero(part.any(axis=0))
        yield part[:, here] @ inverse[np.ix_(here, here)] @ part[:, here].T


def _eliminated(system: Eliminated, rows: csr_array) -> tuple[csr_array, csr_array]:
    """Return the own part of functions by eliminated marks (f, 3e), and that by nodes (f, 4n).

    Nodes stand in the order in which they are eliminated.
    """
    s, pattern = system.structure, system.factor.pattern
    cut = SIZE * s.setups
    end, last = cut + 3 * s.eliminated, cut + 3 * len(s.marks)
    incidences, each = s.incidences, np.arange(s.eliminated + 1)
    root = _by_blocks(system.root, each[:-1], each, 3 * s.eliminated)
    starts = np.searchsorted(incidences.mark[: incidences.own], each)
    weighted = _by_blocks(system.weighted, incidences.setup[: incidences.own], starts, cut)
    marks = csr_array(rows[:, cut:end] @ root)
    kept = csr_array(rows[:, end:last])
    mark, component = np.divmod(kept.indices, 3)
    shape = rows.shape[0], SIZE * (len(s.marks) - s.eliminated)
    padded = csr_array((kept.data, SIZE * mark + component, kept.indptr), shape=shape)
    nodes = csr_array(hstack([rows[:, :cut] - marks @ weighted, padded], format="csr"))
    position = np.empty(pattern.nodes, dtype=np.int64)
    position[pattern.order] = np.arange(pattern.nodes)
    node, component = np.divmod(nodes.indices, SIZE)
    column = SIZE * position[node] + component
    return marks, csr_array((nodes.data, column, nodes.indptr), shape=nodes.shape)


def _by_blocks(stack: FloatArray, column: IntArray, starts: IntArray, width: int) -> csr_array:
    """Return the transposed blocks (n, r, c) as a matrix; ``starts`` are those of its block rows.

    ``column`` (n,) are the block columns.
    """
    blocks = np.ascontiguousarray(stack.transpose(0, 2, 1))
    shape = (len(starts) - 1) * blocks.shape[1], width
    if not len(blocks):
        return csr_array(shape)
    return csr_array(bsr_array((blocks, column, starts), shape=shape).tocsr())


def _batches(nodes: csr_array, edges: IntArray) -> list[IntArray]:
    """Return the groups that are taken together: near each other in the order of elimination."""
    first = np.full(len(edges) - 1, nodes.shape[1])
    count = np.diff(nodes.indptr[edges])
    met = np.flatnonzero(count)
    if len(met):
        first[met] = np.minimum.reduceat(nodes.indices, nodes.indptr[edges[met]])
    order = np.argsort(first, kind="stable")
    number = np.cumsum(np.diff(edges)[order]) // TOGETHER
    return np.split(order, np.flatnonzero(np.diff(number)) + 1)


def _met_columns(rows: csr_array) -> tuple[IntArray, FloatArray]:
    """Return the columns (k,) of a matrix that are not empty, and what stands in them (f, k)."""
    met, column = np.unique(rows.indices, return_inverse=True)
    shape = rows.shape[0], len(met)
    return met, csr_array((rows.data, column.reshape(-1), rows.indptr), shape=shape).toarray()
