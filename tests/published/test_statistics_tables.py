"""S1: critical values, non-centralities and global-test bounds against printed tables.

Each table names its source. "From memory" values agree with scipy.stats, which serves here
as an independent library throughout (the package itself uses scipy.special).
"""

import math

import numpy as np
import pytest
from scipy import stats

from tieup.adjust import distributions as d


@pytest.mark.parametrize(
    ("alpha", "printed", "tolerance"),
    [
        (0.001, 3.2905, 5.1e-5),
        (0.01, 2.5758, 5.1e-5),
        (0.05, 1.9600, 5.1e-5),
        (0.0027, 3.000, 5.1e-4),
    ],
)
def test_w_test_limits(alpha, printed, tolerance):
    """Baarda's two-sided w-test limits, 3.29 at 0.001 (from memory)."""
    assert d.normal_critical(alpha / 2) == pytest.approx(printed, abs=tolerance)


@pytest.mark.parametrize(
    ("alpha", "table"),
    [
        (0.001, {0.5: 3.291, 0.7: 3.815, 0.8: 4.132, 0.9: 4.572, 0.95: 4.935, 0.99: 5.617}),
        (0.01, {0.7: 3.100, 0.8: 3.417, 0.9: 3.857, 0.95: 4.221, 0.99: 4.902}),
        (0.05, {0.7: 2.484, 0.8: 2.802, 0.9: 3.242, 0.95: 3.605, 0.99: 4.286}),
    ],
)
def test_delta0(alpha, table):
    """Baarda's delta0: 4.13 at 0.001 and 0.80 from memory, the rest regression values."""
    for power, printed in table.items():
        assert d.noncentrality(alpha, power) ** 0.5 == pytest.approx(printed, abs=5.1e-4)


@pytest.mark.parametrize(
    ("alpha", "printed"),
    [
        (0.001, [17.075, 19.662, 21.545, 23.100, 24.456, 25.674, 26.790]),
        (0.05, [7.849, 9.635, 10.903, 11.935, 12.828, 13.624, 14.351]),
    ],
)
def test_lambda0_of_several_degrees(alpha, printed):
    """lambda0 for power 0.80: 17.075 from memory, the rest regression values.

    Each is confirmed by the non-central chi-square of scipy.stats.
    """
    for degrees, value in enumerate(printed, start=1):
        found = d.noncentrality(alpha, 0.80, degrees)
        assert found == pytest.approx(value, abs=5.1e-4)
        critical = stats.chi2.isf(alpha, degrees)
        assert stats.ncx2.sf(critical, degrees, found) == pytest.approx(0.80, abs=1e-9)


POPE = {  # dof: tau at 0.05, 0.01, 0.001
    2: (1.4099, 1.4140, 1.4142),
    3: (1.6454, 1.7147, 1.7303),
    4: (1.7567, 1.9175, 1.9823),
    5: (1.8143, 2.0509, 2.1781),
    6: (1.8481, 2.1421, 2.3292),
    10: (1.9039, 2.3236, 2.6786),
    20: (1.9358, 2.4539, 2.9749),
    30: (1.9447, 2.4956, 3.0785),
    50: (1.9512, 2.5282, 3.1626),
    100: (1.9557, 2.5522, 3.2263),
}


def test_pope_tau():
    """Pope's tau by his formula (regression values; the next test ties them to a source)."""
    dof = np.array(list(POPE))[:, None]
    found = d.tau_critical([0.05, 0.01, 0.001], dof)
    np.testing.assert_allclose(found, list(POPE.values()), rtol=0, atol=5.1e-5)


def test_thompson_tau():
    """Thompson's tau of n values is Pope's of n - 1 degrees times sqrt((n - 1) / n).

    n = 10 read at statisticshowto.com/modified-thompson-tau-test, the rest from memory.
    """
    n = np.arange(3, 11)
    thompson = d.tau_critical(0.05, n - 1) * np.sqrt((n - 1) / n)
    printed = [1.1511, 1.4250, 1.5712, 1.6563, 1.7110, 1.7491, 1.7770, 1.7984]
    np.testing.assert_allclose(thompson, printed, rtol=0, atol=5.1e-5)


def test_thompson_example():
    """The example of the same page: tau s = 10.2, the largest deviation 9.2 is no outlier."""
    values = np.array([489, 490, 490, 491, 494, 499, 499, 500, 501, 505])
    limit = d.tau_critical(0.05, 9) * np.sqrt(9 / 10) * np.std(values, ddof=1)
    assert limit == pytest.approx(10.2, abs=0.051)
    assert np.abs(values - values.mean()).max() < limit


def test_tau_is_undefined_for_one_degree():
    """With one degree of freedom every tau is 1: there is no limit to give."""
    assert np.isnan(d.tau_critical(0.05, 1))


LOWER = {  # NIST/SEMATECH table as reprinted (scribd 587562220)
    1: 0.001, 2: 0.051, 3: 0.216, 4: 0.484, 5: 0.831, 6: 1.237, 8: 2.180, 10: 3.247,
    13: 5.009, 15: 6.262, 20: 9.591, 30: 16.791, 50: 32.357, 100: 74.222,
}  # fmt: skip
UPPER = {  # table of an examination paper (NUST)
    1: 5.02389, 2: 7.37776, 3: 9.34840, 4: 11.14329, 5: 12.83250, 6: 14.44938,
    8: 17.53455, 10: 20.48318, 13: 24.73560,
}  # fmt: skip


def test_chi_square_bounds_of_the_global_test():
    """Lower and upper 2.5 % points of chi-square as printed, reached through the global test."""
    for dof, printed in LOWER.items():
        assert d.global_test(dof, dof, 0.05).lower == pytest.approx(printed, abs=5.1e-4)
    for dof, printed in UPPER.items():
        assert d.global_test(dof, dof, 0.05).upper == pytest.approx(printed, abs=5.1e-6)


def test_global_test_verdict():
    """Too small, sound and too large sums of three degrees (bounds 0.216 and 9.348)."""
    verdicts = [d.global_test(s, 3, 0.05) for s in (0.215, 0.217, 9.348, 9.349)]
    assert [v.passed for v in verdicts] == [False, True, True, False]
    assert d.global_test(12.0, 3, 0.05).sigma0 == 2.0


def test_nothing_redundant_is_not_tested():
    """With dof 0 the test neither passes nor fails."""
    untested = d.global_test(0.0, 0, 0.05)
    assert untested.passed is None
    assert math.isnan(untested.sigma0)


@pytest.mark.parametrize(("dof", "printed"), [(1, 199.5), (2, 19.0), (3, 9.5521)])
def test_f_table(dof, printed):
    """F 0.95 of 2 and f degrees (atozmath.com)."""
    assert d.f_critical(0.05, 2, dof) == pytest.approx(printed, abs=0.051 if dof < 3 else 5.1e-5)


def test_minimal_detectable_bias():
    """Baarda: delta0 sd / sqrt(r), and nothing where nothing checks the observation."""
    found = d.minimal_detectable_bias([0.002, 0.002, 0.002], [1.0, 0.25, 1e-15])
    np.testing.assert_allclose(found, [0.008264, 0.016528, np.nan], rtol=0, atol=1e-6)  # m


ALPHAS = np.array([0.999, 0.9, 0.5, 0.05, 1e-3, 1e-8])


@pytest.mark.parametrize("dof", [1, 2, 3, 10, 500, 20_000])
def test_distributions_agree_with_scipy_stats(dof):
    """Critical values and tails are those of scipy.stats, which is an independent face."""
    pairs = [
        (d.normal_critical(ALPHAS), d.normal_tail, stats.norm()),
        (d.chi_square_critical(ALPHAS, dof), lambda x: d.chi_square_tail(x, dof), stats.chi2(dof)),
        (d.f_critical(ALPHAS, 2, dof), lambda x: d.f_tail(x, 2, dof), stats.f(2, dof)),
        (d.student_critical(ALPHAS, dof), stats.t(dof).sf, stats.t(dof)),
    ]
    for critical, tail, library in pairs:
        np.testing.assert_allclose(critical, library.isf(ALPHAS), rtol=1e-7, atol=1e-12)
        np.testing.assert_allclose(tail(critical), ALPHAS, rtol=1e-7)


def test_log_tail_in_closed_form():
    """The log tail equals the closed forms of 2 and 4 degrees, far beyond the float range."""
    x = np.array([0.5, 50.0, 1300.0, 1350.0, 1e4, 1e7])
    np.testing.assert_allclose(d.chi_square_log_tail(x, 2), -x / 2, rtol=1e-12)
    closed = -x / 2 + np.log1p(x / 2)
    np.testing.assert_allclose(d.chi_square_log_tail(x, 4), closed, rtol=1e-12)


def test_log_tail_agrees_with_scipy_stats():
    """The log tail of one degree is twice the normal one, whose logarithm scipy.stats has."""
    z = np.array([0.0, 1.0, 10.0, 36.0, 40.0, 1000.0])
    expected = np.log(2.0) + stats.norm.logsf(z)
    np.testing.assert_allclose(d.chi_square_log_tail(z**2, 1), expected, rtol=1e-12, atol=1e-12)
