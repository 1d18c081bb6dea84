"""The statistics have the distributions that their tests rely on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from tests.montecarlo.judge import assert_mean, assert_rate, assert_share, assert_squares
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
from tests.montecarlo.stack import Bias, Stack, adjust_draws, kinds_of_w, per_copy
from tieup.adjust.distributions import global_test
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import KINDS

pytestmark = pytest.mark.slow

FEW = 5000  # values: the sd of so many is itself known to 1 %


def weighted_sums(stacks: tuple[Stack, ...] | list[Stack]) -> tuple[FloatArray, float]:
    """Return v'Pv of each draw (n,) of the full model, pointings included, and its freedom.

    Put together here from the parts, because the package sums over all copies.
    """
    sums, freedom = [], 0.0
    for stack in stacks:
        a = stack.adjustment
        n = stack.copies
        means = per_copy_sum(stack, a.whitened**2, a.connections.setup)
        control = np.where(a.problem.weight > 0, a.problem.weight * a.control_residual**2, 0.0)
        deviation = stack.reduction.pointings.deviation
        sight = stack.reduction.pointings.sight
        alone = stack.reduction.sights.pointing_sd[sight]
        rows = np.nan_to_num((deviation / alone) ** 2).reshape(n, -1).sum(axis=1)
        sums.append(means + np.nan_to_num(control).reshape(n, -1).sum(axis=1) + rows)
        assert sum(sums[-1]) == pytest.approx(stack.tests.weighted_sum, rel=1e-9)
        freedom = stack.tests.dof / n
    # Axis errors of an instrument that all copies share take a tenth of a degree of each.
    return np.concatenate(sums), freedom


def per_copy_sum(stack: Stack, squares: FloatArray, setup: IntArray) -> FloatArray:
    """Sum squares (c, 3) of connections by the copy that their setup is in."""
    setups = len(stack.network.setup_labels) // stack.copies
    weights = np.nan_to_num(squares).sum(axis=1)
    return np.bincount(setup // setups, weights, minlength=stack.copies).astype(np.float64)


def test_sigma0_squared_has_mean_1_and_the_variance_of_chi_square(setting: Setting) -> None:
    """Mean of v'Pv / dof is 1, its variance 2 / dof; sds wrong by 5 % would show."""
    sums, dof = weighted_sums(draws_of(setting))
    assert_squares(sums / dof, 1.0)
    assert_mean((sums / dof - 1.0) ** 2, 2.0 / dof)


@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_global_test_rejects_at_its_level(setting: Setting, alpha: float) -> None:
    """Clean draws fail the two-sided test alpha of the time, half of that at each side."""
    sums, dof = weighted_sums(draws_of(setting))
    dof = round(dof)
    results = [global_test(float(value), dof, alpha) for value in sums]
    assert_rate(sum(not result.passed for result in results), len(sums), alpha)
    assert_rate(sum(r.statistic > r.upper for r in results), len(sums), alpha / 2)
    assert results[0].upper == pytest.approx(chi2.ppf(1 - alpha / 2, dof), rel=1e-9)


def test_w_of_every_kind_is_standard_normal(setting: Setting) -> None:
    """Sd 1 within 3 % for each kind of observation; the tails beyond 1.96 and 3.29 too."""
    for kind, w in kinds_of_w(list(draws_of(setting))):
        assert len(w) == DRAWS
        assert_mean(w**2, 1.0)
        assert abs(np.sqrt(np.mean(w**2)) - 1.0) < (0.03 if w.size > FEW else 0.06), kind
        if w.shape[1] > 2:  # one or two values a draw are too few to see 5 %
            assert_squares(w**2, 1.0)
        assert_share(np.abs(w) > 1.959964, 0.05)
        if w.size > 20_000:
            assert_share(np.abs(w) > 3.290527, 0.001)
        assert_mean(w, 0.0)


def test_every_single_w_has_sd_1(setting: Setting) -> None:
    """No observation hides behind the others of its kind."""
    for _, w in kinds_of_w(list(draws_of(setting))):
        for column in w.T:
            assert_mean(column**2, 1.0)


def test_the_test_of_one_pointing_is_standard_normal(setting: Setting) -> None:
    """The most likely error of one pointing over its sd: the statistic mistakes compete by."""
    for kind in range(3):
        values = np.concatenate(
            [per_copy(stack, stack.tests.statistic)[:, :, kind] for stack in draws_of(setting)]
        )
        values = values[:, np.isfinite(values).all(axis=0)]
        assert_squares(values**2, 1.0)


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
    stacks = adjust_draws(site, PRECISION, 77, 600, own_instruments=True)
    sums, dof = weighted_sums(stacks)
    assert_mean(sums / dof, 1.0)
    for kind, w in kinds_of_w(stacks):
        assert_mean(w**2, 1.0)
        assert abs(np.sqrt(np.mean(w**2)) - 1.0) < (0.03 if w.size > FEW else 0.06), kind


def test_two_faces_of_a_mark_are_correlated_by_their_shared_centring() -> None:
    """Residuals of the two faces: var(v1) - cov(v1, v2) is the variance of one pointing.

    The rest, the target's centring and height, is common to both and cancels.
    """
    stacks = draws_of(SETTINGS[2])
    rows = _pairs_of_faces(stacks[0])
    sights, sight = stacks[0].reduction.sights, stacks[0].reduction.pointings.sight[rows[:, 0]]
    for kind in range(3):
        v = np.concatenate([per_copy(s, s.tests.residual)[:, rows, kind] for s in stacks])
        half_squares = (v[:, :, 0] - v[:, :, 1]) ** 2 / 2.0
        alone = half_squares / sights.pointing_sd[sight, kind] ** 2
        # Collimation and index are estimated from the pairs: that takes a part of each.
        taken = 0.0 if kind == 2 else 1.0 / (sights_with_faces(stacks[0]) * stacks[0].copies)
        assert_squares(alone, 1.0 - taken)


def sights_with_faces(stack: Stack) -> float:
    """Return how many sights in two faces the estimate of an axis error stands on, in pairs."""
    rows = len(stack.reduction.pointings.sight) // stack.copies
    counts = np.bincount(stack.reduction.pointings.sight[:rows])
    return float(counts[counts > 1].sum()) / 2.0


def _pairs_of_faces(stack: Stack) -> IntArray:
    """Return the rows (k, 2) of one copy that are the two faces of one sight of two."""
    rows = len(stack.reduction.pointings.sight) // stack.copies
    sight = stack.reduction.pointings.sight[:rows]
    counts = np.bincount(sight)
    return np.array([np.flatnonzero(sight == s) for s in np.flatnonzero(counts == 2)])


@pytest.mark.parametrize("kind", KINDS)
def test_an_error_as_large_as_the_mdb_is_found_four_times_in_five(kind: str) -> None:
    """A bias of the mdb in one raw row is beyond 3.2905 with a power of 0.80 (Baarda 1968).

    alpha 0.001, power 0.80: published_checks section 4. The row is one face of two.
    """
    number, site = KINDS.index(kind), site_of(SETTINGS[2])
    clean = adjust_draws(site, PRECISION, 54, 20, own_instruments=True)[0].tests
    row = 2  # the foresight after the backsight, face 1
    size = float(clean.mdb[row, number])
    bias = Bias(row, kind, size)
    stacks = adjust_draws(site, PRECISION, 55, 1000, bias=bias, own_instruments=True)
    statistic = np.concatenate([per_copy(s, s.tests.statistic)[:, row, number] for s in stacks])
    assert_rate(int((np.abs(statistic) > 3.2905).sum()), len(statistic), 0.80)
    found = np.concatenate([per_copy(s, s.tests.bias)[:, row, number] for s in stacks])
    assert_mean(found / size, 1.0)  # the size of the error is estimated without bias
