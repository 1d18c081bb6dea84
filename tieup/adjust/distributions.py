"""Quantiles and tails of the test statistics, and the reliability measures built on them.

Takes probabilities and degrees of freedom, gives critical values, p-values, the global test
and the smallest bias that a test would catch. Every ``*_critical(alpha)`` is the value that
is exceeded with probability ``alpha``; every ``*_tail(value)`` is the probability of
exceeding the value, so the two undo each other. A two-sided test of a normal or Student
statistic takes ``alpha / 2``.

Handbooks meant below: Baarda, A testing procedure for use in geodetic networks (1968); Pope,
The statistics of residuals and the detection of outliers (NOAA TR NOS 65 NGS 1, 1976).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tieup.model.arrays import FloatArray

# A redundancy number below this is round-off: the bias it could show exceeds 4000 sd.
LEAST_REDUNDANCY = 1e-6

# Tail probabilities below this are close to the smallest number a float can hold.
_SMALLEST_TAIL = 1e-290
_FRACTION_TERMS = 200


def _special() -> Any:
    """Import scipy.special on first use: it costs more time than a day's adjustment."""
    from scipy import special

    return special


def _floats(values: Any) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def normal_critical(alpha: ArrayLike) -> FloatArray:
    """Return the standard normal value exceeded with probability ``alpha`` (one-sided).

    >>> round(float(normal_critical(0.001 / 2)), 4)
    3.2905
    """
    return -_floats(_special().ndtri(alpha))


def normal_tail(value: ArrayLike) -> FloatArray:
    """Return the probability that a standard normal variable exceeds ``value``."""
    return _floats(_special().ndtr(-_floats(value)))


def chi_square_critical(alpha: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Return the chi-square value exceeded with probability ``alpha``."""
    return _floats(_special().chdtri(dof, alpha))


def chi_square_tail(value: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Return the probability that a chi-square variable exceeds ``value``."""
    return _floats(_special().chdtrc(dof, value))


def chi_square_log_tail(value: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Return the natural logarithm of `chi_square_tail`, also where that underflows.

    A blunder of 100 sd has the statistic 10 000 and a p-value of 1e-2173. Mistakes of
    different dimension are compared by p-value, so the logarithm must stay finite.

    References
    ----------
    Abramowitz and Stegun 6.5.31: the continued fraction of the incomplete gamma function,
    used from where the tail itself is too small for a float.
    """
    value, dof = np.broadcast_arrays(_floats(value), _floats(dof))
    tail = chi_square_tail(value, dof)
    tiny = tail < _SMALLEST_TAIL
    with np.errstate(divide="ignore"):
        logarithm = _floats(np.log(tail))
    return np.where(tiny, _far_log_tail(np.where(tiny, value, 1.0), dof), logarithm)


def _far_log_tail(value: FloatArray, dof: FloatArray) -> FloatArray:
    """Return log Gamma(a, x) / Gamma(a), a = dof / 2, x = value / 2, for x well above a."""
    a, x = dof / 2.0, value / 2.0
    fraction = np.zeros_like(x)
    with np.errstate(all="ignore"):
        for k in range(_FRACTION_TERMS, 0, -1):
            fraction = k * (a - k) / (x + 2 * k + 1 - a + fraction)
        return _floats(-x + a * np.log(x) - np.log(x + 1 - a + fraction) - _special().gammaln(a))


def f_critical(alpha: ArrayLike, dof_above: ArrayLike, dof_below: ArrayLike) -> FloatArray:
    """Return the F value exceeded with probability ``alpha``.

    Computed as the reciprocal of the lower quantile with the degrees exchanged, which keeps
    all digits for a small ``alpha``.
    """
    return 1.0 / _floats(_special().fdtri(dof_below, dof_above, alpha))


def f_tail(value: ArrayLike, dof_above: ArrayLike, dof_below: ArrayLike) -> FloatArray:
    """Return the probability that an F variable exceeds ``value``."""
    return _floats(_special().fdtrc(dof_above, dof_below, value))


def student_critical(alpha: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Return the Student value exceeded with probability ``alpha`` (one-sided)."""
    return -_floats(_special().stdtrit(dof, alpha))


def tau_critical(alpha: ArrayLike, dof: ArrayLike) -> FloatArray:
    """Return Pope's two-sided critical value of tau, a residual over its estimated sd.

    ``tau = t sqrt(f) / sqrt(f - 1 + t^2)`` with t the Student value of ``alpha / 2`` and
    ``f - 1`` degrees. NaN for f < 2: with one degree of freedom every tau is exactly 1 and
    nothing can be tested.

    References
    ----------
    Pope (1976), the tau distribution.
    """
    dof = _floats(dof)
    testable = np.where(dof >= 2, dof, np.nan)
    t = student_critical(_floats(alpha) / 2.0, testable - 1.0)
    return t * np.sqrt(testable) / np.sqrt(testable - 1.0 + t**2)


def noncentrality(alpha: float, power: float, degrees: int = 1) -> float:
    """Return lambda0: the non-centrality at which a test of size ``alpha`` has ``power``.

    With one degree of freedom its square root is Baarda's delta0, the bias in sds of the
    w-test that is missed with probability ``1 - power``.

    >>> round(noncentrality(0.001, 0.80) ** 0.5, 3)
    4.132
    """
    return float(noncentrality_beyond(chi_square_critical(alpha, degrees), power, degrees))


def noncentrality_beyond(critical: ArrayLike, power: float, degrees: ArrayLike) -> FloatArray:
    """Return the non-centrality at which chi-square passes ``critical`` with ``power``."""
    return _floats(_special().chndtrinc(critical, degrees, 1.0 - power))


def minimal_detectable_bias(
    sd: ArrayLike, redundancy: ArrayLike, alpha: float = 0.001, power: float = 0.80
) -> FloatArray:
    """Return the smallest bias of each observation that its w-test finds with ``power``.

    ``delta0 * sd / sqrt(r)`` for uncorrelated observations, in the unit of ``sd``. NaN where
    the redundancy number is zero to round-off: no bias, however large, would show.

    References
    ----------
    Baarda (1968), internal reliability.
    """
    redundancy = _floats(redundancy)
    seen = np.where(redundancy > LEAST_REDUNDANCY, redundancy, np.nan)
    return math.sqrt(noncentrality(alpha, power)) * _floats(sd) / np.sqrt(seen)


def confidence_factor(dimensions: int, confidence: float) -> float:
    """Return the factor from a standard interval, ellipse or ellipsoid to ``confidence``.

    The root of the chi-square quantile, so it goes with sds known beforehand, and this is
    what the tool prints: 2.4477 for a 95 % ellipse. Some textbooks (Mahun, least squares
    self-study 2, problem 4) scale by ``sqrt(2 F)``, 4.37 at three degrees of freedom, since
    their sds come from the few residuals of the same net. Here the sds are stated for the
    gear and tested apart (`global_test`); a multiplier that varies with the number of
    redundant shots would make the ellipses of two days incomparable.

    >>> round(confidence_factor(2, 0.95), 4)
    2.4477
    """
    return math.sqrt(float(chi_square_critical(1.0 - confidence, dimensions)))


@dataclass(frozen=True)
class GlobalTest:
    """Two-sided test of the weighted sum of squared residuals against chi-square.

    ``statistic`` is the weighted sum, ``lower`` and ``upper`` its bounds, ``sigma0`` the
    root of statistic / dof. With dof 0 there is nothing to test: ``passed`` is None, the
    bounds and sigma0 are NaN.
    """

    statistic: float
    dof: int
    lower: float
    upper: float
    passed: bool | None
    sigma0: float


def global_test(weighted_sum: float, dof: int, alpha: float) -> GlobalTest:
    """Test whether the residuals are as large as the stated sds promise.

    Below ``lower`` the stated sds are too large, above ``upper`` they are too small or
    something is wrong; each happens by chance with probability ``alpha / 2``.
    """
    if dof < 1:
        return GlobalTest(weighted_sum, dof, math.nan, math.nan, None, math.nan)
    lower, upper = chi_square_critical([1.0 - alpha / 2.0, alpha / 2.0], dof).tolist()
    passed = lower <= weighted_sum <= upper
    return GlobalTest(weighted_sum, dof, lower, upper, passed, math.sqrt(weighted_sum / dof))
