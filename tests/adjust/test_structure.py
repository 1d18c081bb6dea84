"""The elimination plan against plain sets and loops."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tieup.adjust.mark_elimination import MANY_SETUPS, find_aside, make_structure

Ends = list[tuple[int, int]]


@st.composite
def networks(draw: st.DrawFn) -> tuple[int, int, Ends, Ends]:
    """Draw setups, points, connections (setup, point) with repeats, links (point, point)."""
    setups = draw(st.integers(1, MANY_SETUPS + 6))
    points = draw(st.integers(2, 12))
    pair = st.tuples(st.integers(0, setups - 1), st.integers(0, points - 1))
    seen = draw(st.lists(pair, min_size=1, max_size=80))
    if draw(st.booleans()):
        seen += [(setup, 0) for setup in range(setups)]  # a tower
    two = st.tuples(st.integers(0, points - 1), st.integers(0, points - 1))
    links = draw(st.lists(two.filter(lambda ends: ends[0] != ends[1]), max_size=4))
    return setups, points, seen, links


@given(networks())
@settings(max_examples=100, deadline=None)
def test_the_plan_holds_every_coupling_once_and_no_other(case):
    """Marks, incidences, pairs and blocks are those that plain sets give."""
    setups, points, seen, links = case
    by = {p: {s for s, q in seen if q == p} for p in range(points)}
    linked = {p for ends in links for p in ends}
    kept = linked | {p for p in by if len(by[p]) > MANY_SETUPS}
    rng = np.random.default_rng(len(seen))
    setup, point = np.array(seen).T
    plan = make_structure(
        setup,
        point,
        np.array(links, dtype=np.int64).reshape(-1, 2),
        rng.uniform(0, 100, (setups, 2)),
        rng.uniform(0, 100, (points, 2)),
    )
    marks = plan.marks.tolist()
    assert set(marks[: plan.eliminated]) == {p for p in by if by[p]} - kept
    assert set(marks[plan.eliminated :]) == kept
    assert (plan.marks[plan.mark] == point).all()
    incidences = plan.incidences
    found = list(zip(incidences.mark.tolist(), incidences.setup.tolist(), strict=True))
    assert sorted(found) == sorted({(marks.index(p), s) for s, p in seen})
    assert (incidences.mark[incidences.of_connection] == plan.mark).all()
    assert (incidences.setup[incidences.of_connection] == setup).all()
    assert (incidences.mark[: incidences.own] < plan.eliminated).all()
    assert (incidences.mark[incidences.own :] >= plan.eliminated).all()
    node = {p: setups + number for number, p in enumerate(marks[plan.eliminated :])}
    blocks = {frozenset(two) for p in by if p not in kept for two in combinations(by[p], 2)}
    blocks |= {frozenset((s, node[p])) for p in kept for s in by[p]}
    blocks |= {frozenset((node[a], node[b])) for a, b in links}
    pattern = plan.pattern
    ends = zip(pattern.row.tolist(), pattern.column.tolist(), strict=True)
    assert sorted(map(sorted, ends)) == sorted(map(sorted, blocks))
    pairs = plan.pairs
    assert len(pairs.block) == sum(len(by[p]) * (len(by[p]) - 1) // 2 for p in by if p not in kept)
    assert (incidences.mark[pairs.first] == incidences.mark[pairs.second]).all()
    assert (incidences.setup[pairs.first] == pattern.row[pairs.block]).all()
    assert (incidences.setup[pairs.second] == pattern.column[pairs.block]).all()
    for coupled in (plan.kept, plan.links):
        row = np.where(coupled.turned, coupled.second, coupled.first)
        column = np.where(coupled.turned, coupled.first, coupled.second)
        assert (row == pattern.row[coupled.block]).all()
        assert (column == pattern.column[coupled.block]).all()


@given(st.integers(1, 9), st.integers(0, 2**32 - 1))
def test_aside_is_what_one_setup_alone_determines_exactly(points, seed):
    """One connection with as many observations as free components, and nothing else."""
    rng = np.random.default_rng(seed)
    point = rng.integers(points, size=rng.integers(0, 2 * points + 1))
    observed = rng.integers(1, 4, len(point))
    free, bound = rng.integers(0, 4, points), rng.uniform(size=points) < 0.3
    aside = find_aside(point, observed, free, bound)
    for p in range(points):
        own = observed[point == p].tolist()
        assert aside[p] == (own == [free[p]] and free[p] > 0 and not bound[p])
