"""The statistics have the distributions that their tests rely on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from tests.montecarlo.judge import assert_mean, assert_promise, assert_rate
from tests.montecarlo.sites import (
    DRAWS,
    PRECISION,
    SETTINGS,
    Setting,
    draws_of,
    one_face,
    site_of,
    skewed,
    three_rounds,
)
from tests.montecarlo.stack import Stack, adjust_draws, kinds_of_w, per_copy
from tieup.adjust.distributions import global_test
from tieup.model.arrays import FloatArray

each_setting = pytest.mark.parametrize("setting", SETTINGS, ids=str)


def weighted_sums(stacks: tuple[Stack, ...] | list[Stack]) -> tuple[FloatArray, int]:
    """Return v'Pv of each draw (n,) of the full model, pointings included, and its freedom.

    Put together here from the parts, because the package sums over all copies.
    """
    sums, freedom = [], 0.0
    for stack in stacks:
        a = stack.adjustment
        n = stack.copies
        means = per_copy_sum(stack, (a.residual / a.sd) ** 2, a.connections.setup)
        control = np.where(a.problem.weight > 0, a.problem.weight * a.control_residual**2, 0.0)
        deviation = stack.reduction.pointings.deviation
        sight = stack.reduction.pointings.sight
        alone = stack.reduction.sights.pointing_sd[sight]
        rows = np.nan_to_num((deviation / alone) ** 2).reshape(n, -1).sum(axis=1)
        sums.append(means + np.nan_to_num(control).reshape(n, -1).sum(axis=1) + rows)
        assert sum(sums[-1]) == pytest.approx(stack.tests.weighted_sum, rel=1e-9)
        freedom = stack.tests.dof / n
    # Collimation and index of the one instrument take two degrees of all copies together.
    return np.concatenate(sums), round(freedom)


def per_copy_sum(stack: Stack, squares: FloatArray, setup: FloatArray) -> FloatArray:
    """Sum squares (c, 3) of connections by the copy that their setup is in."""
    setups = len(stack.network.setup_labels) // stack.copies
    return np.bincount(
        setup // setups, weights=np.nan_to_num(squares).sum(axis=1), minlength=stack.copies
    )


@each_setting
def test_sigma0_squared_has_mean_1_and_the_variance_of_chi_square(setting: Setting) -> None:
    """Mean of v'Pv / dof is 1, its variance 2 / dof; sds wrong by 5 % would show."""
    sums, dof = weighted_sums(draws_of(setting))
    assert_promise(lambda factor: sums / dof / factor**2, 1.0)
    assert_mean((sums / dof - 1.0) ** 2, 2.0 / dof)


@each_setting
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_global_test_rejects_at_its_level(setting: Setting, alpha: float) -> None:
    """Clean draws fail the two-sided test alpha of the time, half of that at each side."""
    sums, dof = weighted_sums(draws_of(setting))
    results = [global_test(float(value), dof, alpha) for value in sums]
    assert_rate(sum(not result.passed for result in results), len(sums), alpha)
    assert_rate(sum(r.statistic > r.upper for r in results), len(sums), alpha / 2)
    assert results[0].upper == pytest.approx(chi2.ppf(1 - alpha / 2, dof), rel=1e-9)


@each_setting
def test_w_of_every_kind_is_standard_normal(setting: Setting) -> None:
    """Sd 1 within 3 % for each kind of observation; the tails beyond 1.96 and 3.29 too."""
    for kind, w in kinds_of_w(list(draws_of(setting))):
        assert len(w) == DRAWS
        assert abs(np.sqrt(np.mean(w**2)) - 1.0) < 0.03, kind
        assert_promise(lambda factor, w=w: (w / factor) ** 2, 1.0)
        assert_mean(np.abs(w) > 1.959964, 0.05)
        assert_mean(np.abs(w) > 3.290527, 0.001)
        assert_mean(w, 0.0)


@each_setting
def test_every_single_w_has_sd_1(setting: Setting) -> None:
    """No observation hides behind the others of its kind."""
    for _, w in kinds_of_w(list(draws_of(setting))):
        for column in w.T:
            assert_mean(column**2, 1.0)


@each_setting
def test_the_test_of_one_pointing_is_standard_normal(setting: Setting) -> None:
    """The most likely error of one pointing over its sd: the statistic mistakes compete by."""
    for kind in range(3):
        values = np.concatenate(
            [per_copy(stack, stack.tests.statistic)[:, :, kind] for stack in draws_of(setting)]
        )
        values = values[:, np.isfinite(values).all(axis=0)]
        assert_promise(lambda factor, values=values: (values / factor) ** 2, 1.0)


@each_setting
def test_redundancy_numbers_sum_to_the_degrees_of_freedom(setting: Setting) -> None:
    """Pointings, plumb lines and weighted control together (handbook 3)."""
    for stack in draws_of(setting)[:3]:
        a = stack.adjustment
        total = np.nansum(stack.tests.redundancy) + np.nansum(a.control_redundancy)
        total += np.nansum(a.redundancy[a.connections.plumb])
        assert total == pytest.approx(stack.tests.dof, abs=1e-6)


@pytest.mark.parametrize("faces", ["one face", "three rounds in two faces", "skewed instrument"])
def test_w_is_standard_normal_however_the_marks_were_pointed(faces: str) -> None:
    """One face, circle turned between rounds, an instrument with collimation and index error.

    Pointings of one mark share the centring of the target: their w are right only if that is
    carried as common to them.
    """
    site = site_of(SETTINGS[2])
    if faces == "one face":
        site = one_face(site)
    elif faces == "three rounds in two faces":
        site = three_rounds(site, 0.7)
    else:
        site = skewed(site)
    stacks = adjust_draws(site, PRECISION, 77, 1000)
    sums, dof = weighted_sums(stacks)
    assert_mean(sums / dof, 1.0)
    for kind, w in kinds_of_w(stacks):
        assert abs(np.sqrt(np.mean(w**2)) - 1.0) < 0.03, kind
        assert_mean(w**2, 1.0)


def test_two_faces_of_a_mark_are_correlated_as_their_shared_centring_says() -> None:
    """The residuals of the two faces of one sight have the covariance of the full model.

    r_mean q - a (1 - 1/n) ... with n = 2: cov(v1, v2) = r q - a / 2, var = r q + a / 2, where
    q is the variance of the mean, a that of one pointing, r the redundancy of the mean.
    """
    stacks = draws_of(SETTINGS[2])
    setups = len(stacks[0].network.setup_labels) // stacks[0].copies
    assert setups == 3
    rows = _pairs_of_faces(stacks[0])
    for kind in range(3):
        v = np.concatenate([per_copy(s, s.tests.residual)[:, rows, kind] for s in stacks])
        sights = stacks[0].reduction.sights
        sight = stacks[0].reduction.pointings.sight[rows[:, 0]]
        alone = sights.pointing_sd[sight, kind] ** 2
        found = (v[:, :, 0] * v[:, :, 1]).mean(axis=0)
        total = (v**2).mean(axis=(0, 2))
        assert np.allclose((total - found) / alone, 1.0, rtol=0, atol=0.12)  # 4 sd of 3000 draws
        assert ((total - found) / alone).mean() == pytest.approx(1.0, abs=0.03)


def _pairs_of_faces(stack: Stack) -> np.ndarray:
    """Return the rows (k, 2) of one copy that are the two faces of one sight of two."""
    rows = len(stack.reduction.pointings.sight) // stack.copies
    sight = stack.reduction.pointings.sight[:rows]
    counts = np.bincount(sight)
    return np.array([np.flatnonzero(sight == s) for s in np.flatnonzero(counts == 2)])


@pytest.mark.parametrize("kind", [0, 1, 2], ids=["direction", "zenith", "distance"])
def test_an_error_as_large_as_the_mdb_is_found_four_times_in_five(kind: int) -> None:
    """A bias of the mdb in one pointing is beyond 3.29 with a power of 0.80 (Baarda)."""
    stacks = draws_of(SETTINGS[2])
    rows = len(stacks[0].reduction.pointings.sight) // stacks[0].copies
    statistic = np.concatenate([per_copy(s, s.tests.statistic)[:, :, kind] for s in stacks])
    mdb = per_copy(stacks[0], stacks[0].tests.mdb)[0, :, kind]
    bias_sd = mdb / 4.1324  # delta0 of alpha 0.001, power 0.80: published_checks, section 4
    row = int(np.flatnonzero(np.isfinite(mdb))[0])
    assert row < rows
    shifted = np.abs(statistic[:, row] + mdb[row] / bias_sd[row]) > 3.2905
    assert_rate(int(shifted.sum()), len(shifted), 0.80)
