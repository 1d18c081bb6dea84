"""What holds a site together, against the definition: take it away and see what falls off."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from tieup.network.bridges import find_bridges, find_loops


def _pieces(setup, point, control, without=None):
    """Return the pieces of setups, as sets, with one mark or setup taken away.

    Control counts as one more (-1) where a setup is taken away: what is left may lose it.
    """
    setups, points = int(setup.max()) + 1, len(control)
    hub = setups + points
    start = np.r_[setup, setups + np.flatnonzero(control)]
    end = np.r_[setups + point, np.full(control.sum(), hub)]
    keep = (start != without) & (end != without)
    graph = coo_array((np.ones(keep.sum()), (start[keep], end[keep])), shape=(hub + 1, hub + 1))
    _, label = connected_components(graph, directed=False)
    own = [s for s in range(setups) if s != without]
    if control.any() and not (without is not None and without >= setups):
        own.append(hub)
    return {
        frozenset(-1 if s == hub else s for s in own if label[s] == part)
        for part in set(label[own])
    }


@pytest.mark.parametrize("seed", range(40))
def test_bridges_are_what_the_site_falls_apart_without(seed):
    """Every mark and setup is taken away in turn, and the pieces counted by other means."""
    rng = np.random.default_rng(seed)
    setups, points = 6, 9
    setup = np.repeat(np.arange(setups), 3)
    point = np.concatenate([rng.choice(points, 3, replace=False) for _ in range(setups)])
    control = rng.uniform(size=points) < (0.0, 0.3)[seed % 2]
    found = find_bridges(setup, point, control)
    bridges = {b.setup if b.mark < 0 else setups + b.mark: set(b.setups) for b in found}
    for node in range(setups + points):
        gone = {node} if node < setups else {-1}
        left = {piece - gone for piece in _pieces(setup, point, control)} - {frozenset()}
        pieces = _pieces(setup, point, control, node)
        assert (node in bridges) == (pieces != left)
        if node in bridges:
            assert any(piece <= bridges[node] for piece in pieces)


def test_a_single_shared_mark_is_a_bridge():
    """Two blocks that meet at mark 2: the block without control lies beyond it."""
    setup, point = np.array([0, 0, 0, 1, 1, 1, 2, 2]), np.array([0, 1, 2, 2, 3, 4, 3, 4])
    control = np.array([True, True, False, False, False])
    bridges = {(b.mark, b.setup): b.setups for b in find_bridges(setup, point, control)}
    assert bridges == {(2, -1): (1, 2), (-1, 0): (1, 2), (-1, 1): (2,)}


def test_loops_close_and_cover_every_redundant_pair():
    """A ring of five with one chord has two independent loops, each a walk along pairs."""
    pairs = np.array([[0, 1], [1, 2], [2, 3], [3, 4], [4, 0], [1, 3]])
    loops = find_loops(pairs, 10)
    known = {frozenset(p) for p in pairs.tolist()}
    walked = set()
    for loop in loops:
        steps = {
            frozenset(e) for e in zip(loop.setups, loop.setups[1:] + loop.setups[:1], strict=True)
        }
        assert steps <= known
        walked |= steps
    assert len(loops) == 2 and walked == known
