"""The block solver on random systems, against dense linear algebra (numpy.linalg)."""

from __future__ import annotations

from unittest import mock

import networkx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tieup.adjust import dissection
from tieup.adjust.elimination_fronts import SIZE, Pattern, make_pattern
from tieup.adjust.multifrontal import DependentUnknownError, factorise, selected_inverse, solve
from tieup.threads import one_thread

pytestmark = pytest.mark.usefixtures("_one_thread")
Graph = tuple[np.ndarray, np.ndarray]


@pytest.fixture(scope="module")
def _one_thread():
    with one_thread():
        yield


@st.composite
def graphs(draw: st.DrawFn, most: int = 90) -> Graph:
    """Draw unique edges (b, 2) and places (n, 2): near neighbours, or any, or none at all."""
    nodes = draw(st.integers(1, most))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    place = rng.uniform(0, 100, (nodes, 2))
    if draw(st.booleans()):
        place = np.round(place, -2)  # most nodes share a place
    reach = draw(st.sampled_from([0.0, 15.0, 30.0, 200.0]))
    distance = np.hypot(*(place[:, None] - place).transpose(2, 0, 1))
    joined = (distance < reach) & (rng.uniform(size=distance.shape) < draw(st.floats(0.05, 1.0)))
    edges = np.argwhere(np.triu(joined | joined.T, 1))
    return edges, place


def random_system(pattern: Pattern, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return diagonal blocks, lower blocks, and the same positive definite matrix dense."""
    rng = np.random.default_rng(seed)
    size = SIZE * pattern.nodes
    design = np.zeros((len(pattern.row), SIZE, pattern.nodes, SIZE))  # of one row block per edge
    edge = np.arange(len(pattern.row))
    for node in (pattern.row, pattern.column):
        design[edge, :, node, :] = rng.normal(size=(len(edge), SIZE, SIZE))
    flat = design.reshape(-1, size)
    dense = np.diag(rng.uniform(0.01, 1.0, size)) + flat.T @ flat
    blocks = dense.reshape(pattern.nodes, SIZE, pattern.nodes, SIZE).transpose(0, 2, 1, 3)
    every = np.arange(pattern.nodes)
    return blocks[every, every], blocks[pattern.row, pattern.column], dense


@given(graphs(), st.sampled_from([1, dissection.WIDE]))
@settings(max_examples=200, deadline=None)
def test_every_node_is_eliminated_once_and_only_into_later_ones(graph, wide):
    """Pivots are a permutation; a front's boundary is just what elimination fills in."""
    edges, place = graph
    with mock.patch.object(dissection, "WIDE", wide):
        fronts, position = dissection.dissect(edges, place)
    pivots = np.concatenate([front.pivots for front in fronts])
    assert sorted(pivots) == list(range(len(place)))
    assert (position[pivots] == np.arange(len(place))).all()
    neighbours = {node: set() for node in range(len(place))}
    for a, b in edges.tolist():
        neighbours[a].add(b)
        neighbours[b].add(a)
    done = 0
    for number, front in enumerate(fronts):
        done += len(front.pivots)
        assert all(child < number for child in front.children)
        reach = set().union(*(neighbours[node] for node in front.pivots.tolist()))
        reach |= set().union(*(fronts[child].boundary.tolist() for child in front.children))
        assert front.boundary.tolist() == sorted(
            (node for node in reach if position[node] >= done), key=lambda node: position[node]
        )
    children = [child for front in fronts for child in front.children]
    assert sorted(children) == list(range(len(fronts) - 1))


@given(st.integers(0, 2**32 - 1), st.integers(1, 14), st.integers(1, 14))
@settings(max_examples=150, deadline=None)
def test_a_wide_separator_is_the_smallest_vertex_cover(seed, lows, highs):
    """It touches every edge and, by König's theorem, is as large as a largest matching."""
    rng = np.random.default_rng(seed)
    joined = rng.uniform(size=(lows, highs)) < rng.uniform(0.05, 0.9)
    crossing = np.argwhere(joined) + np.array([0, lows])
    with mock.patch.object(dissection, "WIDE", 0):
        cover = dissection._separator(crossing)
    assert np.isin(crossing, cover).any(axis=1).all()
    graph = networkx.Graph(crossing.tolist())
    matching = networkx.max_weight_matching(graph, maxcardinality=True)
    assert len(cover) == len(set(cover.tolist())) == len(matching)


@given(graphs(most=60), st.integers(0, 2**32 - 1))
@settings(max_examples=200, deadline=None)
def test_solution_and_selected_inverse_equal_the_dense_ones(graph, seed):
    """Of the inverse, the diagonal blocks and those of the pattern: 1e-9 of the largest."""
    pattern = make_pattern(*graph)
    diagonal, lower, dense = random_system(pattern, seed)
    scale = np.diagonal(diagonal, axis1=1, axis2=2)
    factor = factorise(pattern, diagonal, lower, scale)
    inverse = np.linalg.inv(dense)
    right = np.random.default_rng(seed).normal(size=(pattern.nodes, SIZE, 3))
    expected = (inverse @ right.reshape(-1, 3)).reshape(right.shape)
    close = 1e-9 * np.abs(inverse).max()
    assert np.abs(solve(factor, right) - expected).max() < close * np.abs(right).sum()
    own, off = selected_inverse(factor)
    blocks = inverse.reshape(pattern.nodes, SIZE, pattern.nodes, SIZE).transpose(0, 2, 1, 3)
    every = np.arange(pattern.nodes)
    assert np.abs(own - blocks[every, every]).max() < close
    assert np.abs(off - blocks[pattern.row, pattern.column]).max(initial=0.0) < close
    assert solve(factor, right[:, :, :0]).shape == (pattern.nodes, SIZE, 0)


@pytest.mark.parametrize("seed", range(20))
def test_an_unknown_that_nothing_determines_is_named(seed):
    """One unknown is another's copy: the breakdown is named at the later of the two nodes."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, 100, (40, 2))
    distance = np.hypot(*(place[:, None] - place).transpose(2, 0, 1))
    pattern = make_pattern(np.argwhere(np.triu(distance < 25.0, 1)), place)
    _, _, dense = random_system(pattern, seed)
    number = int(rng.integers(len(pattern.row)))
    late, early = pattern.row[number], pattern.column[number]
    component = int(rng.integers(SIZE))
    copied, original = SIZE * late + component, SIZE * early
    # Uncoupled from all others, because only blocks of the pattern may be filled.
    for index in (copied, original):
        dense[index, :] = dense[:, index] = 0.0
    dense[np.ix_([copied, original], [copied, original])] = 1.0
    blocks = dense.reshape(40, SIZE, 40, SIZE).transpose(0, 2, 1, 3)
    every = np.arange(40)
    diagonal = blocks[every, every]
    with pytest.raises(DependentUnknownError) as caught:
        factorise(
            pattern,
            diagonal,
            blocks[pattern.row, pattern.column],
            np.diagonal(diagonal, axis1=1, axis2=2),
        )
    assert (caught.value.node, caught.value.component) == (late, component)


@pytest.mark.parametrize(("rows", "columns"), [(1, 500), (30, 30), (4, 200)])
def test_a_grid_is_cut_by_its_lines(rows, columns):
    """Separators of a grid are its short lines (George, 1973): no front eliminates many nodes more.

    Of a string of nodes one by one; the tree is as deep as halving takes.
    """
    number = np.arange(rows * columns).reshape(rows, columns)
    along = [number[:, :-1].ravel(), number[:, 1:].ravel()]
    down = [number[:-1].ravel(), number[1:].ravel()]
    place = np.argwhere(number >= 0) * 10.0
    order = np.random.default_rng(1).permutation(len(place))
    edges = order[np.hstack([along, down]).T]
    where = np.empty_like(place)
    where[order] = place
    fronts, _ = dissection.dissect(edges, where)
    pivots = [len(front.pivots) for front in fronts]
    inner = [len(front.pivots) for front in fronts if front.children]
    assert max(pivots) <= max(dissection.LEAF, min(rows, columns))
    assert len(inner) > 10 and max(inner) <= min(rows, columns)
    assert pivots[-1] == min(rows, columns)
    depth = [0] * len(fronts)
    for index, front in enumerate(fronts):
        depth[index] = 1 + max((depth[child] for child in front.children), default=0)
    assert depth[-1] <= 2 + np.log2(rows * columns / dissection.LEAF) + 1
