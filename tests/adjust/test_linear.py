"""A linear fit: what it refuses in words, and what it gives for a line by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.adjust.linear import fit_linear
from tieup.errors import AdjustmentError


def test_too_few_observations_and_parameters_that_nothing_ties_are_refused() -> None:
    """With how many there are, and how many more it takes."""
    with pytest.raises(AdjustmentError, match=r"2 observations cannot determine 3 parameters"):
        fit_linear(np.ones((2, 3)), np.zeros(2), np.ones(2))
    alike = np.column_stack([np.ones(5), np.arange(5.0), 2.0 * np.arange(5.0)])
    with pytest.raises(AdjustmentError, match=r"rank defect 1 of 3"):
        fit_linear(alike, np.zeros(5), np.ones(5))
    nothing = np.column_stack([np.ones(5), np.zeros(5), np.zeros(5)])
    with pytest.raises(AdjustmentError, match=r"rank defect 2 of 3"):
        fit_linear(nothing, np.zeros(5), np.ones(5))


def test_a_line_through_four_points_by_hand() -> None:
    """y = 0, 1, 1, 2 at x = 0, 1, 2, 3: 0.1 + 0.6 x, residuals 0.1 -0.3 0.3 -0.1, sum 0.2 / sd^2.

    Sums of squares: of x from its middle 5, so the slope has sd^2 / 5; the level at 0 has
    sd^2 (1/4 + 1.5^2 / 5). Leverages 1/4 + (x - 1.5)^2 / 5.
    """
    x = np.arange(4.0)
    found = fit_linear(np.column_stack([np.ones(4), x]), np.array([0.0, 1, 1, 2]), np.full(4, 0.5))
    np.testing.assert_allclose(found.parameters, [0.1, 0.6], rtol=0, atol=1e-14)
    np.testing.assert_allclose(found.residuals, [0.1, -0.3, 0.3, -0.1], rtol=0, atol=1e-14)
    np.testing.assert_allclose(found.redundancy, [0.3, 0.7, 0.7, 0.3], rtol=0, atol=1e-14)
    assert found.dof == 2 and found.weighted_sum == pytest.approx(0.2 / 0.25)
    assert found.sigma0 == pytest.approx((0.8 / 2) ** 0.5)
    variances = [0.25 * (1 / 4 + 2.25 / 5), 0.25 / 5]
    np.testing.assert_allclose(np.diagonal(found.cofactor), variances, rtol=1e-12)
    exact = fit_linear(np.column_stack([np.ones(2), x[:2]]), np.array([1.0, 3.0]), np.ones(2))
    assert exact.dof == 0 and np.isnan(exact.sigma0)
