"""Nested dissection: in which order the blocks of the reduced system are eliminated.

Splits the nodes by their plan position, so that each half's elimination touches only
a thin separator. The result is a tree of fronts: a front eliminates its pivots and
passes an update of its boundary on to its parent.

References: George (1973), Nested dissection of a regular finite element mesh; Liu (1992),
The multifrontal method for sparse matrix solution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, maximum_bipartite_matching

from tieup.model.arrays import FloatArray, IntArray

LEAF = 24  # nodes; below this a dense factorisation beats another split
WIDE = 32  # nodes; a separator so wide is worth the search for a narrower one


@dataclass(frozen=True)
class Front:
    """One dense step: ``pivots`` are eliminated, ``boundary`` is updated.

    Node numbers, both in elimination order. ``children`` index the list of fronts,
    which is in postorder.
    """

    pivots: IntArray
    boundary: IntArray
    children: tuple[int, ...]


def dissect(edges: IntArray, place: FloatArray) -> tuple[list[Front], IntArray]:
    """Order the nodes of a graph by nested dissection.

    Parameters
    ----------
    edges
        Shape (e, 2): pairs of adjacent nodes.
    place
        Shape (n, 2): plan position (m) of each node.

    Returns
    -------
    fronts in postorder, and the elimination position (n,) of each node.
    """
    groups: list[tuple[IntArray, tuple[int, ...]]] = []
    side = np.zeros(len(place), dtype=np.int64)
    _split(np.arange(len(place)), edges, place, side, groups)
    order = np.concatenate([pivots for pivots, _ in groups])
    position = np.empty(len(place), dtype=np.int64)
    position[order] = np.arange(len(place))
    return _with_boundaries(groups, edges, position, order), position


def _split(
    nodes: IntArray,
    edges: IntArray,
    place: FloatArray,
    side: IntArray,
    groups: list[tuple[IntArray, tuple[int, ...]]],
) -> int:
    """Append the fronts of ``nodes`` to ``groups`` in postorder; return the last index."""
    halves = _bisect(nodes, edges, place, side) if len(nodes) > LEAF else None
    if halves is None:
        groups.append((nodes, ()))
        return len(groups) - 1
    low, high, separator, inner = halves
    children = [
        _split(part, own, place, side, groups) for part, own in zip((low, high), inner, strict=True)
    ]
    groups.append((separator, tuple(children)))
    return len(groups) - 1


LOW, HIGH, BETWEEN = 1, 2, 3


def _bisect(
    nodes: IntArray, edges: IntArray, place: FloatArray, side: IntArray
) -> tuple[IntArray, IntArray, IntArray, tuple[IntArray, IntArray]] | None:
    """Split nodes into two halves without an edge between them, and a separator.

    ``edges`` are those among ``nodes``; ``side`` (all nodes,) is scratch. Returns the
    halves, the separator and the edges inside each half, or None where the separator
    would swallow one half: the graph is dense.
    """
    own = place[nodes]
    along = own[:, int(np.argmax(np.ptp(own, axis=0)))]
    ranked = np.argsort(along, kind="stable")
    side[nodes[ranked[: len(nodes) // 2]]] = LOW
    side[nodes[ranked[len(nodes) // 2 :]]] = HIGH
    ends = side[edges]
    crossing = edges[ends[:, 0] != ends[:, 1]]
    downwards = side[crossing[:, 0]] == HIGH
    crossing[downwards] = crossing[downwards, ::-1]
    separator = _separator(crossing)
    side[separator] = BETWEEN
    parts, ends = side[nodes], side[edges]
    low, high = nodes[parts == LOW], nodes[parts == HIGH]
    if not len(low) or not len(high):
        return None
    inner = [edges[(ends[:, 0] == half) & (ends[:, 1] == half)] for half in (LOW, HIGH)]
    return low, high, separator, (inner[0], inner[1])


def _separator(crossing: IntArray) -> IntArray:
    """Return nodes without which no edge is left of ``crossing`` (e, 2): low end, high end.

    All low ends would do, or all high ends. Where they are many it pays to find the fewest
    nodes: the smallest vertex cover, from a largest matching by König's theorem.
    """
    low, low_end = np.unique(crossing[:, 0], return_inverse=True)
    high, high_end = np.unique(crossing[:, 1], return_inverse=True)
    if min(len(low), len(high)) < WIDE:
        return min(low, high, key=len)
    edges = _graph(low_end, high_end, (len(low), len(high)))
    partner = maximum_bipartite_matching(edges, perm_type="column")
    single, paired = np.flatnonzero(partner < 0), np.flatnonzero(partner >= 0)
    # From every single low end along any edge up, and back down along the matching only.
    source = len(low) + len(high)
    up = low_end, len(low) + high_end
    down = len(low) + partner[paired], paired
    start = np.concatenate([np.full(len(single), source), up[0], down[0]])
    end = np.concatenate([single, up[1], down[1]])
    reached = np.zeros(source + 1, dtype=bool)
    walk = _graph(start, end, (source + 1, source + 1))
    reached[breadth_first_order(walk, source, return_predecessors=False)] = True
    return np.concatenate([low[~reached[: len(low)]], high[reached[len(low) : source]]])


def _graph(start: IntArray, end: IntArray, shape: tuple[int, int]) -> csr_array:
    # scipy 1.11 takes no wider indices.
    places = (start.astype(np.int32), end.astype(np.int32))
    return csr_array((np.ones(len(start)), places), shape=shape)


def _with_boundaries(
    groups: list[tuple[IntArray, tuple[int, ...]]],
    edges: IntArray,
    position: IntArray,
    order: IntArray,
) -> list[Front]:
    """Find each front's boundary: later nodes adjacent to it or to what lies below it."""
    ends = np.sort(position[edges], axis=1)
    ends = ends[np.argsort(ends[:, 0], kind="stable")]
    starts = np.searchsorted(ends[:, 0], np.arange(len(position) + 1))
    fronts: list[Front] = []
    done = 0
    for pivots, children in groups:
        until = done + len(pivots)
        reach = [ends[starts[done] : starts[until], 1]]
        reach += [position[fronts[child].boundary] for child in children]
        later = np.unique(np.concatenate(reach))
        fronts.append(Front(pivots, order[later[later >= until]], children))
        done = until
    return fronts
