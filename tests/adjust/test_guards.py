"""Bounds on what unnoticed mistakes do to a place, written out mistake by mistake."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tieup.adjust.guards import Guards, after_moving, pose_effect
from tieup.model.arrays import FloatArray

SIZES = (1, 4, 2, 1, 3)  # of five mistakes: 11 columns in all


def guards_of(seed: int) -> Guards:
    """Return five mistakes with random sizes and covariances, the second and last of movements."""
    rng = np.random.default_rng(seed)
    degrees, count = np.array(SIZES), len(SIZES)
    spread, pose = np.zeros((2, count, 4, 4))
    for number, q in enumerate(SIZES):
        half = rng.normal(size=(q, q))
        spread[number, :q, :q] = half @ half.T * 1e-6
        pose[number, :, :q] = rng.normal(size=(4, q))
    return Guards(
        first=np.concatenate([[0], np.cumsum(degrees)[:-1]]),
        degrees=degrees,
        size=rng.normal(0.0, 0.002, sum(SIZES)),
        spread=spread,
        hidden=np.zeros((count, 4, 4)),
        freedom=np.array([5.0, 30.0, np.inf, 12.0, 80.0]),
        setup=rng.normal(size=(3, 4, sum(SIZES))),
        point=np.zeros((0, 3, sum(SIZES))),
        given=np.zeros(count, dtype=bool),
        moved=np.array([-1, 1, -1, -1, 2]),
        row=np.array([-1, 10, -1, -1, 20]),
        pose=pose,
    )


@pytest.mark.parametrize("components", [1, 2, 3])
def test_a_bound_is_the_displacement_and_student_times_its_worst_sd(components: int) -> None:
    """Each mistake and place by itself, against plain matrices and scipy's Student."""
    guards = guards_of(3)
    effect = np.random.default_rng(4).normal(size=(6, components, sum(SIZES)))
    found = guards.bounds(effect, 0.01)
    sds = guards.sds(effect)
    for number, (first, q) in enumerate(zip(guards.first, SIZES, strict=True)):
        own, covariance = slice(first, first + q), guards.spread[number, :q, :q]
        for place in range(6):
            part = effect[place][:, own]
            sd = np.sqrt(np.linalg.svd(part @ covariance @ part.T)[1][0])
            moved = np.linalg.norm(part @ guards.size[own])
            factor = stats.t.isf(0.01, guards.freedom[number])
            assert sds[place, number] == pytest.approx(sd)
            assert found[place, number] == pytest.approx(moved + factor * sd)


def test_other_estimates_have_other_bounds() -> None:
    """Several sets of sizes at once are those of each by itself."""
    guards = guards_of(5)
    rng = np.random.default_rng(6)
    effect, sizes = rng.normal(size=(4, 2, sum(SIZES))), rng.normal(size=(3, sum(SIZES)))
    at_once = guards.bounds_of(effect, 0.05, sizes)
    assert at_once.shape == (4, 3, len(SIZES))
    for number, own in enumerate(sizes):
        alone = replace(guards, size=own).bounds(effect, 0.05)
        np.testing.assert_allclose(at_once[:, number], alone)


def test_what_does_not_show_has_no_bound_where_it_moves_the_place() -> None:
    """A hidden direction that the place feels; not so for control, nor for a place it leaves."""
    guards = guards_of(7)
    hidden = guards.hidden.copy()
    hidden[2, :2, 0] = [0.003, 0.004]  # along one direction of the third mistake, in its units
    guards = replace(guards, hidden=hidden)
    effect = np.zeros((2, 2, sum(SIZES)))
    own = slice(guards.first[2], guards.first[2] + 2)
    effect[0, 0, own] = [0.8, 0.6]  # 4.8 mm for that direction
    effect[1, 0, own] = [0.8, -0.6]  # nothing
    sds = guards.sds(effect)
    assert np.isinf(sds[0, 2]) and np.isfinite(sds[1, 2])
    assert np.isfinite(np.delete(sds, 2, axis=1)).all()
    given = replace(guards, given=np.arange(len(SIZES)) == 2)
    assert np.isfinite(given.sds(effect)).all()


def shot(pose: FloatArray, away: FloatArray) -> FloatArray:
    """Return where a setup at ``pose`` (N, E, H, turn) puts a shot taken ``away`` (N, E)."""
    turned = np.exp(1j * pose[3]) * complex(*away)
    return np.array([pose[0] + turned.real, pose[1] + turned.imag, pose[2]])


def test_a_change_of_pose_moves_a_shot_as_the_polar_point_moves() -> None:
    """Against central differences of the polar point; azimuths grow from north to east."""
    away = np.array([30.0, -12.0])
    h = 1e-6
    steps = [(shot(pose, away) - shot(-pose, away)) / (2 * h) for pose in np.eye(4) * h]
    numeric = np.column_stack(steps)
    change = np.eye(4)
    np.testing.assert_allclose(pose_effect(change, away, height=False), numeric[:2], atol=1e-9)
    np.testing.assert_allclose(pose_effect(change, away, height=True), numeric[2:], atol=1e-9)


@pytest.mark.parametrize("height", [False, True])
def test_after_the_instrument_moved_its_shots_want_the_pose_it_has_then(height: bool) -> None:
    """Only mistakes about that setup change, by what they moved the instrument."""
    guards, away = guards_of(8), np.array([20.0, 7.0])
    effect = pose_effect(guards.setup[1], away, height=height)
    found = after_moving(guards, effect, 1, away)
    own = slice(guards.first[1], guards.first[1] + SIZES[1])
    others = np.ones(sum(SIZES), dtype=bool)
    others[own] = False
    np.testing.assert_array_equal(found[:, others], effect[:, others])
    change = guards.setup[1][:, own] - guards.pose[1][:, : SIZES[1]]
    np.testing.assert_allclose(found[:, own], pose_effect(change, away, height=height))
    np.testing.assert_array_equal(after_moving(guards, effect, 0, away), effect)
