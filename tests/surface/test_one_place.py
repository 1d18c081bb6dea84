"""Points of one place: the mean of least variance where they agree, no answer where they do not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from statsmodels.regression.linear_model import GLS

from tests.surface.grounds import certain, grid, lifted, surface_of
from tieup.model.arrays import FloatArray
from tieup.surface.one_place import height_weights, merged
from tieup.surface.spread import HeightSpread


def shares_of(spread: HeightSpread) -> FloatArray:
    """Return the shares (n,) of points that all are one place."""
    count = len(spread.own)
    return np.asarray(height_weights(np.zeros(count, dtype=np.int64), spread).toarray()[0])


def whole(spread: HeightSpread) -> FloatArray:
    return np.asarray(np.diag(spread.own**2) + spread.common @ spread.common.T)


@pytest.mark.parametrize("count", [2, 3, 5])
def test_the_mean_is_that_of_generalised_least_squares(count: int) -> None:
    """statsmodels GLS of a constant where no share is below 0; its sd is the vertex's."""
    rng = np.random.default_rng(count)
    seen = 0
    for _ in range(40):
        spread = HeightSpread(rng.uniform(0.001, 0.004, count), 0.002 * rng.normal(size=(count, 2)))
        height = rng.normal(size=count)
        fit = GLS(height, np.ones(count), sigma=whole(spread) * 1e6).fit()
        wanted = np.linalg.solve(whole(spread), np.ones(count))
        share = shares_of(spread)
        assert share.sum() == pytest.approx(1.0) and (share >= 0.0).all()
        if (wanted < 0.0).any():
            continue
        seen += 1
        assert share @ height == pytest.approx(fit.params[0], abs=1e-9)
        told = np.sqrt(share @ whole(spread) @ share)
        assert told == pytest.approx(1e-3 * np.sqrt(fit.normalized_cov_params[0, 0]), rel=1e-6)
    assert seen > 10


def test_no_share_is_below_nothing() -> None:
    """Where one point is worse and depends on the other: quadratic programming (scipy SLSQP)."""
    rng = np.random.default_rng(1)
    clipped = 0
    for _ in range(60):
        spread = HeightSpread(np.full(3, 0.001), 0.003 * np.abs(rng.normal(size=(3, 2))))
        table = whole(spread) * 1e6
        found = minimize(
            lambda w, table=table: w @ table @ w, np.full(3, 1 / 3), bounds=[(0, 1)] * 3,
            constraints={"type": "eq", "fun": lambda w: w.sum() - 1.0}, tol=1e-14,
        )  # fmt: skip
        share = shares_of(spread)
        assert share @ table @ share == pytest.approx(found.fun, rel=1e-3)
        clipped += (share == 0.0).any()
    assert clipped > 10


def test_what_is_known_exactly_is_the_height() -> None:
    """A typed height of sd 0 beside a shot; two exact ones in the middle; alike ones as well."""
    none = np.zeros((2, 0))
    assert shares_of(HeightSpread(np.array([0.0, 0.002]), none)) == pytest.approx([1.0, 0.0])
    assert shares_of(HeightSpread(np.zeros(2), none)) == pytest.approx([0.5, 0.5])
    both = HeightSpread(np.full(3, 0.002), np.full((3, 1), 0.5))
    assert shares_of(both) == pytest.approx([1 / 3] * 3)


def test_two_shots_that_agree_are_their_weighted_mean() -> None:
    """1 mm apart, sds of 1 and 2 mm: shares of 4/5 and 1/5, sd 2 / sqrt 5 mm (Ghilani, ch. 10)."""
    place = lifted(np.concatenate([grid(3, 3, 5.0), [[5.0, 5.0]]]), lambda n, e: 0.02 * n)
    place[9, 2] += 0.001
    own = np.full(10, 0.001)
    own[9] = 0.002
    found = surface_of(place, spread=HeightSpread(own, np.zeros((10, 0))))
    vertex = int(found.vertex[4])
    assert found.vertex[9] == vertex and len(found.twins.points) == 0
    assert found.mesh.height[vertex] == pytest.approx(0.1 + 0.001 / 5)
    sd = found.spread.sd(np.array([[vertex]]), np.ones((1, 1)))
    assert sd == pytest.approx([0.002 / np.sqrt(5)])
    assert not found.disputed.any()


@pytest.mark.parametrize("beside", [0.0, 0.01])
def test_no_answer_rests_on_one_of_two_that_disagree(beside: float) -> None:
    """30 mm apart, in one place or 10 mm beside: what is proved is so whichever is true.

    A hollow of 10 mm by the middle of both is none by the upper shot: nobody can tell. One of
    200 mm is there by either.
    """
    for deep, word in ((0.010, "cannot tell"), (0.200, "holds")):
        plan = np.concatenate([grid(5, 5, 5.0), [[10.0, 10.0 + beside]]])
        place = lifted(plan, lambda n, e: 0.001 * n)
        low = place[7, 2] - deep
        place[12, 2], place[25, 2] = low + 0.015, low - 0.015
        found = surface_of(place)
        assert found.twins.points.tolist() == [[12, 25]]
        assert set(found.drainage.places.verdict) == {word}
        own = np.unique(found.vertex[[12, 25]])
        assert np.flatnonzero(found.disputed).tolist() == own.tolist()
        sds = found.spread.sd(own[:, None], np.ones((len(own), 1)))
        assert (sds > 0.0299).all()
        if not beside:
            assert found.mesh.height[own] == pytest.approx([low], abs=1e-6)
    one = surface_of(place[:25])  # a grade that touches the place is not proved either
    touching = (found.mesh.faces == own[0]).any(axis=1)
    assert found.grades.sd[touching].min() > 3 * one.grades.sd.max()
    assert found.grades.sd[~touching].max() <= one.grades.sd.max() * 1.5 or beside


def test_a_third_shot_between_two_that_disagree_settles_nothing() -> None:
    """8 mm apart at 1 mm each; the third in the middle agrees with both, and nobody can tell."""
    plan = np.concatenate([grid(3, 3, 5.0), [[5.0, 5.0], [5.0, 5.0]]])
    place = lifted(plan, lambda n, e: 0.02 * n)
    place[[4, 9, 10], 2] += 0.004, -0.004, 0.0
    own = np.full(11, 0.001)
    own[10] = 0.0013
    found = surface_of(place, spread=HeightSpread(own, np.zeros((11, 0))))
    assert found.twins.points.tolist() == [[4, 9]]
    vertex = found.vertex[10]
    assert found.disputed[vertex]
    assert found.spread.sd(np.array([[vertex]]), np.ones((1, 1)))[0] >= 0.0079


def test_places_are_told_apart_at_any_distance_from_the_origin() -> None:
    """Points 2 mm apart are two, those within 0.4 mm of a cell's middle are one, at 1e7 m too."""
    plan = np.array([[0.0, 0.0], [0.002, 0.0], [0.0, 0.0003], [5.0, 5.0], [np.nan, 0.0]])
    for far in (0.0, 1e7):
        place = np.column_stack([plan + far, np.zeros(5)])
        assert merged(place).tolist() == [0, 1, 0, 2, -1]
    assert len(height_weights(merged(place), certain(5)).toarray()) == 3
