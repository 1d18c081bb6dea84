"""Level nets of the textbooks through the solver of every run (`tests.published.level_nets`).

Redundancy numbers, w and the minimal detectable bias were computed for the check, no published
answer. An older textbook prints S0 = 0.6575 for the net of Krumm; it cannot be reproduced.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.published.level_nets import GHILANI, KRUMM, heights, solve
from tieup.adjust.distributions import minimal_detectable_bias
from tieup.adjust.solution import Adjustment


@pytest.fixture(scope="module")
def krumm() -> Adjustment:
    """Return L1, solved by the sparse engine."""
    return solve(KRUMM, [run[3] for run in KRUMM], {"A": 437.596})


def test_krumm_heights_and_residuals_to_the_printed_digit(krumm: Adjustment) -> None:
    """L1: heights to 0.01 mm, residuals (adjusted minus observed) to 0.01 mm."""
    found = heights(krumm)
    published = {"B": 448.10871, "C": 453.46847, "D": 444.94361}
    for name, height in published.items():
        assert found[name] == pytest.approx(height, abs=5.1e-6)  # m
    residuals = [3.71, -8.53, -0.24, 1.89, -1.86, 0.39]
    np.testing.assert_allclose(krumm.link_residual * 1e3, residuals, rtol=0, atol=0.0051)  # mm


def test_krumm_precision_to_the_printed_digit(krumm: Adjustment) -> None:
    """L1: v'Pv 1.27212 on 3 degrees, s0 0.6512, sds 2.30 2.64 1.76 mm (scaled by s0)."""
    assert krumm.dof == 3
    assert krumm.weighted_sum == pytest.approx(1.27212, abs=5.1e-6)
    sigma0 = math.sqrt(krumm.weighted_sum / krumm.dof)
    assert sigma0 == pytest.approx(0.6512, abs=5.1e-5)
    names = krumm.problem.network.point_names
    sd = np.sqrt(krumm.point_covariance[:, 2, 2]) * sigma0 * 1e3
    of_mark = dict(zip(names, sd.tolist(), strict=True))
    found = [of_mark[name] for name in ("B", "C", "D")]
    np.testing.assert_allclose(found, [2.30, 2.64, 1.76], rtol=0, atol=0.0051)  # mm


def test_krumm_reliability(krumm: Adjustment) -> None:
    """L1: redundancy numbers and w to their four and three digits; the sum is the dof."""
    expected = [0.6549, 0.8862, 0.3294, 0.4326, 0.5092, 0.1877]
    np.testing.assert_allclose(krumm.link_redundancy, expected, rtol=0, atol=5.1e-5)
    assert krumm.link_redundancy.sum() == pytest.approx(3.0, abs=1e-9)
    sd = np.array([run[3] for run in KRUMM])
    w = krumm.link_residual / (sd * np.sqrt(krumm.link_redundancy))
    expected = [0.764, -0.755, -0.106, 0.720, -0.522, 0.304]
    np.testing.assert_allclose(w, expected, rtol=0, atol=5.1e-4)
    bias = minimal_detectable_bias(sd, krumm.link_redundancy)
    assert bias[5] * 1e3 == pytest.approx(28.6, abs=0.051)  # mm


@pytest.mark.parametrize(
    ("sd", "expected", "sigma0"),
    [
        ([1.0] * 7, {"A": 105.141, "B": 104.483, "C": 106.188}, 0.050),
        (
            [math.sqrt(run[3] / 12.0) for run in GHILANI],
            {"A": 105.150, "B": 104.489, "C": 106.197},
            0.107,
        ),
    ],
    ids=["unweighted", "weight 12 per mile"],
)
def test_ghilani_two_bench_marks(
    sd: list[float], expected: dict[str, float], sigma0: float
) -> None:
    """L3, feet taken as metres: heights and S0 to the recalled digits (from memory)."""
    result = solve(GHILANI, sd, {"X": 100.00, "Y": 107.50})
    found = heights(result)
    for name, height in expected.items():
        assert found[name] == pytest.approx(height, abs=5.1e-4)  # ft
    assert math.sqrt(result.weighted_sum / result.dof) == pytest.approx(sigma0, abs=5.1e-4)
    assert result.dof == 4
