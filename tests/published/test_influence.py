"""Redundancy numbers and tau against the regression diagnostics of statsmodels.

statsmodels computes leverage and studentized residuals for outlier tests in regression; with
whitened rows its 1 - leverage is the redundancy number and its internally studentized
residual is Pope's tau (sign: it takes observed - adjusted).
"""

import numpy as np
import pytest
from scipy import stats

from tieup.adjust.distributions import tau_critical
from tieup.adjust.linear import fit_linear

api = pytest.importorskip("statsmodels.api")


def solve(design, observed, sd):
    """Return the fit and tau of every observation."""
    solution = fit_linear(design, observed, sd)
    tau = solution.residuals / (solution.sigma0 * sd * np.sqrt(solution.redundancy))
    return solution, tau


def random_problem(seed):
    """Return design, observations and sds; one observation carries a gross error."""
    random = np.random.default_rng(seed)
    rows, columns = int(random.integers(8, 60)), int(random.integers(1, 6))
    design = random.standard_normal((rows, columns))
    sd = random.uniform(0.5, 5.0, rows)
    observed = design @ random.standard_normal(columns) + sd * random.standard_normal(rows)
    observed[0] += 6.0 * sd[0]
    return design, observed, sd


@pytest.mark.parametrize("seed", range(20))
def test_random_problems_agree_with_statsmodels(seed):
    """Parameters, covariance, residuals, redundancy and tau agree on random weighted problems."""
    design, observed, sd = random_problem(seed)
    solution, tau = solve(design, observed, sd)
    fit = api.OLS(observed / sd, design / sd[:, None]).fit()
    influence = fit.get_influence()
    np.testing.assert_allclose(solution.parameters, fit.params, atol=1e-11)
    np.testing.assert_allclose(solution.cofactor * solution.sigma0**2, fit.cov_params(), atol=1e-11)
    np.testing.assert_allclose(solution.residuals, -fit.resid * sd, atol=1e-10)
    np.testing.assert_allclose(solution.redundancy, 1 - influence.hat_matrix_diag, atol=1e-12)
    np.testing.assert_allclose(tau, -influence.resid_studentized_internal, atol=1e-10)
    assert solution.redundancy.sum() == pytest.approx(solution.dof, abs=1e-11)
    assert fit.scale == pytest.approx(solution.sigma0**2, abs=1e-10)


@pytest.mark.parametrize("seed", range(20))
def test_tau_limit_matches_the_external_t_test(seed):
    """Pope's limit at the p-value of statsmodels' external t is the tau of the observation."""
    design, observed, sd = random_problem(seed)
    solution, tau = solve(design, observed, sd)
    fit = api.OLS(observed / sd, design / sd[:, None]).fit()
    external = np.abs(fit.get_influence().resid_studentized_external)
    p_value = 2.0 * stats.t.sf(external, solution.dof - 1)
    np.testing.assert_allclose(tau_critical(p_value, solution.dof), np.abs(tau), rtol=1e-7)


def test_stackloss():
    """Brownlee's stack loss: studentized residuals of 21 and 4 as in the textbooks.

    Internal -2.638 (21), external -3.330 (21) and 2.052 (4), from memory; data from
    statsmodels.
    """
    data = api.datasets.stackloss.load_pandas()
    design = np.column_stack([np.ones(21), data.exog.to_numpy()])
    solution, tau = solve(design, data.endog.to_numpy(), np.ones(21))
    external = -tau * np.sqrt((solution.dof - 1) / (solution.dof - tau**2))
    assert -tau[20] == pytest.approx(-2.638, abs=5.1e-4)
    assert external[20] == pytest.approx(-3.330, abs=5.1e-4)
    assert external[3] == pytest.approx(2.052, abs=5.1e-4)
