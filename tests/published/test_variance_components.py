"""V1: variance components of two groups.

Koch, Parameter Estimation and Hypothesis Testing in Linear Models (1999), pp. 235-237: one
mean from two series with stated variances 1e-4 and 4e-4; read in a transcription that cites
the pages. Koch states no prior, so the stated sds count for next to nothing here.
"""

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.optimize import minimize

from tieup.adjust.scatter import Misclosures, Scatter, estimate_scatter

OBSERVED = np.array([1.25, 1.26, 1.24, 1.22, 1.27])
GROUP = np.array([0, 0, 0, 1, 1])
VARIANCE = np.array([1e-4, 4e-4])
NEXT_TO_NOTHING = 1e-6  # degrees of freedom


@pytest.fixture
def koch(monkeypatch: pytest.MonkeyPatch) -> Scatter:
    """Return what a run estimates of the two series, the first two of its five groups."""
    for name, value in (
        ("WHOLE_WEIGHT", NEXT_TO_NOTHING),
        ("GROUP_WEIGHT", NEXT_TO_NOTHING),
        ("SETTLED", 1e-9),
        ("ROUNDS", 500),
    ):
        monkeypatch.setattr(f"tieup.adjust.scatter.{name}", value)
    basis = null_space(np.ones((1, 5)))
    parts = np.zeros((5, 4, 4))
    for group in range(2):
        parts[group] = basis.T @ np.diag(np.where(group == GROUP, VARIANCE[group], 0.0)) @ basis
    misclosures = Misclosures(basis.T @ OBSERVED, parts, np.zeros((4, 4)))
    return estimate_scatter(misclosures, np.zeros((4, 0)))


def test_the_factors_are_those_of_koch(koch):
    """Koch's limit (.961, 1.688), the mean 1.2496 with it; redundancies sum to n - 1."""
    np.testing.assert_allclose(koch.factors[:2], [0.961, 1.688], rtol=0, atol=5.1e-4)
    assert koch.redundancy.sum() == pytest.approx(4.0, abs=1e-9)
    weight = 1.0 / (VARIANCE * koch.factors[:2])[GROUP]
    assert np.average(OBSERVED, weights=weight) == pytest.approx(1.2496, abs=5.1e-5)


def test_the_factors_maximise_the_restricted_likelihood(koch):
    """The same factors by scipy's general minimiser of the textbook's likelihood."""

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
    np.testing.assert_allclose(koch.factors[:2], np.exp(best.x), rtol=0, atol=1e-3)
