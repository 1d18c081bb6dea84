"""V2: a straight line with errors in both coordinates, as a nonlinear dense problem.

Neitzel and Petrovic, Total Least Squares im Kontext der Ausgleichung nach kleinsten
Quadraten, zfv 133 (2008) 3, pp. 141-148, table 3; read in a transcription.
"""

import numpy as np
import pytest

from tieup.adjust.dense import gauss_newton, with_complex_step

X = np.array([0.0, 1.0, 2.0, 3.0])
Y = np.array([0.0, 1.0, 4.0, 9.0])


def test_orthogonal_line_of_neitzel_and_petrovic():
    """Slope, intercept, their sds and v'Pv agree with the six printed decimals.

    The true abscissae are unknowns beside slope and intercept: the same minimum as the
    Gauss-Helmert solution, with the sds taken at the adjusted abscissae.
    """

    def line(parameters):
        slope, intercept, *_ = parameters
        abscissa = parameters[2:]
        return np.concatenate([abscissa, slope * abscissa + intercept])

    start = np.concatenate([[3.0, -1.0], X])
    solution = gauss_newton(with_complex_step(line), start, np.concatenate([X, Y]), np.ones(8))
    sd = solution.sigma0 * np.sqrt(np.diag(solution.cofactor))
    assert solution.dof == 2
    np.testing.assert_allclose(solution.parameters[:2], [3.241804, -1.362705], atol=5.1e-7)
    np.testing.assert_allclose(sd[:2], [0.678679, 1.254155], rtol=0, atol=5.1e-7)
    assert solution.weighted_sum == pytest.approx(0.372946, abs=5.1e-7)
