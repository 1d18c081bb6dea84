"""V1: variance components of two groups.

Koch, Parameter Estimation and Hypothesis Testing in Linear Models (1999), pp. 235-237: one
mean from two series with stated variances 1e-4 and 4e-4; read in a transcription that cites
the pages.
"""

import numpy as np
import pytest
from scipy.optimize import minimize

from tieup.adjust.components import component_step, estimate_components, group_sums
from tieup.adjust.dense import gauss_newton, linear_model

OBSERVED = np.array([1.25, 1.26, 1.24, 1.22, 1.27])
GROUP = np.array([0, 0, 0, 1, 1])
VARIANCE = np.array([1e-4, 4e-4])
DESIGN = np.ones((5, 1))


def adjust(factors):
    """Return the solution, v'Pv and redundancy of each group with rescaled variances."""
    sd = np.sqrt(VARIANCE * factors)[GROUP]
    solution = gauss_newton(linear_model(DESIGN), np.zeros(1), OBSERVED, sd)
    return solution, *group_sums(solution.residuals, sd, solution.redundancy, GROUP, 2)


def koch_traces(factors):
    """Return S of Koch's estimate from the full redundancy matrix R = I - A Q A'P."""
    weight = 1.0 / (VARIANCE * factors)[GROUP]
    matrix = np.eye(5) - np.outer(np.ones(5), weight) / weight.sum()
    member = np.eye(2)[GROUP]
    return member.T @ (matrix * matrix.T) @ member


def test_koch_rounds_to_the_printed_digit():
    """Koch p. 237: the factors of three rounds, (.8889, 1.7917) (1.0914, .9318) (.9892, 1.0127)."""
    factors = np.ones(2)
    for published in ([0.8889, 1.7917], [1.0914, 0.9318], [0.9892, 1.0127]):
        _, weighted_sums, redundancy = adjust(factors)
        traces = koch_traces(factors)
        np.testing.assert_allclose(traces.sum(axis=1), redundancy, atol=1e-12)
        step = component_step(weighted_sums, traces)
        np.testing.assert_allclose(step, published, rtol=0, atol=5.1e-5)
        factors = factors * step


def test_simplified_form_converges_to_the_same_factors():
    """From redundancy numbers alone: Koch's limit (.961, 1.688), mean 1.2496."""
    result = estimate_components(lambda factors: adjust(factors)[1:], 2)
    assert result.converged
    np.testing.assert_allclose(result.factors, [0.961, 1.688], rtol=0, atol=5.1e-4)
    assert result.redundancy.sum() == pytest.approx(4.0, abs=1e-12)
    mean = adjust(result.factors)[0].parameters[0]
    assert mean == pytest.approx(1.2496, abs=5.1e-5)


def test_limit_maximises_the_restricted_likelihood():
    """The converged factors are the REML estimate, found by scipy's general minimiser."""

    def minus_twice_log_likelihood(log_factors):
        variance = (VARIANCE * np.exp(log_factors))[GROUP]
        mean = np.sum(OBSERVED / variance) / np.sum(1.0 / variance)
        return (
            np.log(variance).sum()
            + np.log(np.sum(1.0 / variance))
            + np.sum((OBSERVED - mean) ** 2 / variance)
        )

    best = minimize(
        minus_twice_log_likelihood,
        np.zeros(2),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-13},
    )
    result = estimate_components(lambda factors: adjust(factors)[1:], 2)
    np.testing.assert_allclose(result.factors, np.exp(best.x), rtol=0, atol=1e-3)


def test_group_without_redundancy_is_left_alone():
    """A group that nothing checks has no estimate, and the other one is not disturbed."""
    design = np.zeros((6, 2))
    design[:5, 0] = design[5, 1] = 1.0
    group = np.array([0, 0, 0, 0, 0, 1])

    def solver(factors):
        sd = 0.01 * np.sqrt(factors)[group]
        observed = np.append(OBSERVED, 3.0)
        solution = gauss_newton(linear_model(design), np.zeros(2), observed, sd)
        return group_sums(solution.residuals, sd, solution.redundancy, group, 2)

    result = estimate_components(solver, 2)
    sample = np.var(OBSERVED, ddof=1) / 0.01**2
    assert result.converged
    assert np.isnan(result.factors[1])
    assert result.factors[0] == pytest.approx(sample, abs=1e-9)
    assert result.sd[0] == pytest.approx(sample * np.sqrt(2 / 4), abs=1e-9)


def test_exact_group_is_reported_not_divided_by():
    """Two equal observations show no variance at all: no factor, said as not converged."""
    observed = np.array([1.0, 1.0, 5.0, 5.1])
    design = np.kron(np.eye(2), np.ones((2, 1)))
    group = np.array([0, 0, 1, 1])

    def solver(factors):
        sd = 0.01 * np.sqrt(factors)[group]
        solution = gauss_newton(linear_model(design), np.zeros(2), observed, sd)
        return group_sums(solution.residuals, sd, solution.redundancy, group, 2)

    assert not estimate_components(solver, 2).converged
