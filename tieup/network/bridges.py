"""What holds the site together: single marks and setups without which it falls apart.

A graph of setups and of the marks they share, with control as one more node behind every
control mark, because control ties together what it touches. Whatever cuts this graph in two
when it is taken away carries a tie alone: beyond a single mark the rest can swing about it,
and beyond a single setup everything hangs on how that setup stood.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

from tieup.model.arrays import BoolArray, IntArray, distinct_pairs

Node: TypeAlias = tuple[str, int]
CONTROL: Node = ("control", 0)


@dataclass(frozen=True)
class Bridge:
    """A mark or a setup that alone holds part of the site; ``setups`` are those beyond it.

    ``mark`` is the point, -1 where a setup is the bridge; ``setup`` likewise. The side with
    control, else the larger side, counts as the site.
    """

    mark: int
    setup: int
    setups: tuple[int, ...]


@dataclass(frozen=True)
class Loop:
    """Setups (and control, -1) round a loop of shared marks, in order."""

    setups: tuple[int, ...]


def find_bridges(setup: IntArray, point: IntArray, control: BoolArray) -> tuple[Bridge, ...]:
    """Find every single mark and single setup that holds part of the site alone.

    Parameters
    ----------
    setup, point
        Shape (c,): ends of every connection, plumb lines included.
    control
        Shape (P,): points with known coordinates.
    """
    import networkx

    graph = _graph(setup, point, control)
    found = []
    parts = list(networkx.connected_components(graph))
    for part in parts:  # a view of a part answers slowly, so it is copied
        found += _bridges_of(graph if len(parts) == 1 else graph.subgraph(part).copy())
    return tuple(sorted(found, key=lambda b: (-len(b.setups), b.setup, b.mark)))


def _bridges_of(graph: Any) -> list[Bridge]:
    """Return the bridges of one connected piece, from its tree of two-fold connected blocks."""
    import networkx

    blocks = sorted(sorted(block) for block in networkx.biconnected_components(graph))
    times = Counter(node for block in blocks for node in block)
    cuts = {node for node, count in times.items() if count > 1}  # what two blocks share
    tree = networkx.Graph()
    for number, block in enumerate(blocks):
        tree.add_edges_from((number, node) for node in block if node in cuts)
    if not cuts:
        return []
    total = frozenset(graph)
    below: dict[Any, frozenset[Node]] = {}
    order = list(networkx.dfs_postorder_nodes(tree, 0))
    parents = dict(networkx.dfs_predecessors(tree, 0))
    for node in order:
        children = [n for n in tree[node] if parents.get(n) == node]
        own = frozenset(blocks[node]) if isinstance(node, int) else frozenset([node])
        below[node] = own.union(*(below[n] for n in children))
    return [
        _bridge(cut, sides)
        for cut in sorted(cuts - {CONTROL})
        if len(sides := _sides(cut, tree, parents, below, total)) > 1
    ]


def _sides(
    cut: Node, tree: Any, parents: dict[Any, Any], below: dict[Any, frozenset[Node]],
    total: frozenset[Node],
) -> list[frozenset[Node]]:  # fmt: skip
    """Return the parts that a piece falls into without ``cut``.

    A part is one with setups in it; without a setup, control alone is one too: what is beyond
    hangs on that setup for its control. Without a mark it is not: one control mark is a datum.
    """
    children = [n for n in tree[cut] if parents.get(n) == cut]
    sides = [*(below[n] - {cut} for n in children), total - below[cut]]
    keeps = {"setup"} if cut[0] == "mark" else {"setup", "control"}
    return [side for side in sides if any(kind in keeps for kind, _ in side)]


def _bridge(cut: Node, sides: list[frozenset[Node]]) -> Bridge:
    home = max(sides, key=lambda side: (CONTROL in side, len(side), sorted(side)))
    beyond = sorted(n for side in sides if side is not home for kind, n in side if kind == "setup")
    kind, number = cut
    mark, setup = (number, -1) if kind == "mark" else (-1, number)
    return Bridge(mark, setup, tuple(beyond))


def find_loops(pairs: IntArray, most: int) -> tuple[Loop, ...]:
    """Return short loops of setups that cover every redundant pair, at most ``most``.

    Parameters
    ----------
    pairs
        Shape (q, 2): setups that share enough marks to carry a position; -1 is control.
    """
    import networkx

    graph = networkx.Graph()
    graph.add_edges_from(sorted(tuple(sorted(pair)) for pair in pairs.tolist()))
    loops: list[Loop] = []
    for cycle in _short_cycles(graph):
        loops.append(Loop(tuple(cycle)))
        if len(loops) == most:
            break
    return tuple(loops)


def _short_cycles(graph: Any) -> Iterator[list[int]]:
    """Yield for every edge that closes a loop the shortest way round, each loop once."""
    import networkx

    seen: set[frozenset[tuple[int, int]]] = set()
    tree = networkx.minimum_spanning_tree(graph)
    for a, b in sorted(tuple(sorted(edge)) for edge in graph.edges if not tree.has_edge(*edge)):
        rest = networkx.restricted_view(graph, [], [(a, b)])
        way = networkx.shortest_path(rest, a, b)
        edges = frozenset(tuple(sorted(e)) for e in zip(way, [*way[1:], way[0]], strict=True))
        if edges not in seen:
            seen.add(edges)
            yield way


def _graph(setup: IntArray, point: IntArray, control: BoolArray) -> Any:
    """Return the graph of setups and of the marks that more than one of them knows."""
    import networkx

    pairs, _ = distinct_pairs(setup, point)
    times = np.bincount(pairs[:, 1], minlength=len(control)) + control
    graph = networkx.Graph()
    graph.add_nodes_from(("setup", int(s)) for s in np.unique(setup))
    for s, p in pairs[times[pairs[:, 1]] > 1].tolist():
        graph.add_edge(("setup", s), ("mark", p))
        if control[p]:
            graph.add_edge(("mark", p), CONTROL)
    return graph
