"""Levelling networks of the textbooks, solved by the dense engine.

L1: Krumm, Geodetic Network Adjustment Examples (2020), example 2.1, pp. 6-9 (= Ghilani,
Adjustment Computations, example 12.6), read in a transcription that cites the page.
L3: Ghilani and Wolf, Adjustment Computations, level net with bench marks X and Y; inputs and
answers from memory.
"""

import numpy as np
import pytest

from tieup.adjust.dense import DenseSolution, gauss_newton, linear_model
from tieup.adjust.distributions import minimal_detectable_bias
from tieup.errors import AdjustmentError

KRUMM_FIXED = {"A": 437.596}  # m
KRUMM = [  # from, to, rise m, sd m
    ("A", "B", 10.509, 0.006),
    ("A", "C", 15.881, 0.012),
    ("B", "C", 5.360, 0.004),
    ("B", "D", -3.167, 0.004),
    ("C", "D", -8.523, 0.005),
    ("D", "A", -7.348, 0.003),
]

GHILANI_FIXED = {"X": 100.00, "Y": 107.50}  # ft
GHILANI = [  # from, to, rise ft, length mi
    ("X", "A", 5.10, 4),
    ("A", "Y", 2.34, 3),
    ("Y", "C", -1.25, 2),
    ("C", "X", -6.13, 3),
    ("A", "B", -0.68, 2),
    ("Y", "B", -3.00, 2),
    ("B", "C", 1.70, 2),
]


def solve_levels(lines, fixed, sd, unknown) -> DenseSolution:
    """Adjust rises: observed = height(to) - height(from)."""
    design = np.zeros((len(lines), len(unknown)))
    observed = np.array([line[2] for line in lines])
    for row, (start, end, *_) in enumerate(lines):
        for mark, sign in ((end, 1.0), (start, -1.0)):
            if mark in fixed:
                observed[row] -= sign * fixed[mark]
            else:
                design[row, unknown.index(mark)] = sign
    return gauss_newton(linear_model(design), np.zeros(len(unknown)), observed, sd)


@pytest.fixture(scope="module")
def krumm() -> DenseSolution:
    sd = np.array([line[3] for line in KRUMM])
    return solve_levels(KRUMM, KRUMM_FIXED, sd, ["B", "C", "D"])


def test_krumm_heights_to_the_printed_digit(krumm):
    """Krumm 2.1: adjusted heights agree within half a unit of the last printed digit."""
    published = [448.10871, 453.46847, 444.94361]
    np.testing.assert_allclose(krumm.parameters, published, rtol=0, atol=5.1e-6)  # m


def test_krumm_residuals_to_the_printed_digit(krumm):
    """Krumm 2.1: residuals (adjusted minus observed) agree to 0.01 mm."""
    published = [3.71, -8.53, -0.24, 1.89, -1.86, 0.39]
    np.testing.assert_allclose(krumm.residuals * 1e3, published, rtol=0, atol=0.0051)  # mm


def test_krumm_precision_to_the_printed_digit(krumm):
    """Krumm 2.1: v'Pv 1.27212, s0 0.6512, sds 2.30 2.64 1.76 mm (scaled by s0).

    An older textbook prints S0 = 0.6575 for this net; it cannot be reproduced.
    """
    assert krumm.dof == 3
    assert krumm.weighted_sum == pytest.approx(1.27212, abs=5.1e-6)
    assert krumm.sigma0 == pytest.approx(0.6512, abs=5.1e-5)
    sd = krumm.sigma0 * np.sqrt(np.diag(krumm.cofactor)) * 1e3
    np.testing.assert_allclose(sd, [2.30, 2.64, 1.76], rtol=0, atol=0.0051)  # mm


def test_krumm_reliability_regression(krumm):
    """Redundancy numbers, w and one minimal detectable bias of Krumm 2.1.

    Regression values computed for this test, no published answer; the sum is the dof.
    """
    sd = np.array([line[3] for line in KRUMM])
    redundancy = [0.6549, 0.8862, 0.3294, 0.4326, 0.5092, 0.1877]
    np.testing.assert_allclose(krumm.redundancy, redundancy, rtol=0, atol=5.1e-5)
    assert krumm.redundancy.sum() == pytest.approx(3.0, abs=1e-12)
    w = krumm.residuals / (sd * np.sqrt(krumm.redundancy))
    np.testing.assert_allclose(
        w, [0.764, -0.755, -0.106, 0.720, -0.522, 0.304], rtol=0, atol=5.1e-4
    )
    bias = minimal_detectable_bias(sd, krumm.redundancy)
    assert bias[5] * 1e3 == pytest.approx(28.6, abs=0.051)  # mm


def test_level_net_without_bench_mark_is_singular():
    """Rises alone leave all heights free together: the datum defect of every textbook."""
    sd = np.array([line[3] for line in KRUMM])
    with pytest.raises(AdjustmentError, match="rank defect 1 among parameters 1, 2, 3, 4 of 4"):
        solve_levels(KRUMM, {}, sd, ["A", "B", "C", "D"])


@pytest.mark.parametrize(
    ("sd", "heights", "sigma0"),
    [
        (np.ones(7), [105.141, 104.483, 106.188], 0.050),
        (np.sqrt([line[3] / 12 for line in GHILANI]), [105.150, 104.489, 106.197], 0.107),
    ],
    ids=["unweighted", "weight 12 per mile"],
)
def test_ghilani_two_bench_marks(sd, heights, sigma0):
    """Ghilani and Wolf, two bench marks: heights and S0 to the recalled digits (from memory)."""
    solution = solve_levels(GHILANI, GHILANI_FIXED, sd, ["A", "B", "C"])
    np.testing.assert_allclose(solution.parameters, heights, rtol=0, atol=5.1e-4)  # ft
    assert solution.sigma0 == pytest.approx(sigma0, abs=5.1e-4)


def test_fewer_observations_than_unknowns():
    """Two rises cannot give three heights; the message counts both."""
    with pytest.raises(AdjustmentError, match="2 observations cannot determine 3 parameters"):
        solve_levels(KRUMM[:2], KRUMM_FIXED, np.full(2, 0.01), ["B", "C", "D"])
