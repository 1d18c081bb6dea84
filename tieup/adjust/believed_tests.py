"""What residuals say of values that nobody read at a target: plumb lines, weighted control.

A plumb line's three observations are independent: with r its redundancy number the residual has
the sd s sqrt(r), and a mistake in it the sd s / sqrt(r). Control c with the covariance C, adjusted
to x with the covariance Q, has the residual x - c, and with P = C^-1

    Qv = C - Q      redundancy diag(Qv P)      information on a bias diag(P Qv P)

References: Baarda (1968), A testing procedure for use in geodetic networks; Teunissen, Testing
theory: an introduction (the w-test with correlated observations).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.adjust.solution import UNCHECKED, Adjustment
from tieup.model.arrays import FloatArray


@dataclass(frozen=True)
class BelievedTests:
    """Of n marks or setups, (n, 3) in m: N, E, H.

    ``residual`` is adjusted minus given, ``sd`` as it was weighed, ``residual_sd`` that of the
    residual and ``bias_sd`` that of a mistake in this one value, NaN where nothing checks it.
    ``redundancy`` numbers sum to the degrees of freedom. All are NaN where none takes part.
    """

    residual: FloatArray
    sd: FloatArray
    redundancy: FloatArray
    residual_sd: FloatArray
    bias_sd: FloatArray


def plumb_tests(adjustment: Adjustment) -> BelievedTests:
    """Return the tests of the plumb lines by setup: centring in N and E, instrument height."""
    residual, sd, redundancy = (np.full((len(adjustment.axis), 3), np.nan) for _ in range(3))
    own = np.flatnonzero(adjustment.connections.plumb)
    setup = adjustment.connections.setup[own]
    residual[setup], sd[setup] = adjustment.residual[own], adjustment.sd[own]
    redundancy[setup] = adjustment.redundancy[own]
    aside = adjustment.aside.connections
    alone = np.flatnonzero(aside.plumb)
    seen = np.isfinite(aside.value[alone])
    residual[aside.setup[alone]] = redundancy[aside.setup[alone]] = np.where(seen, 0.0, np.nan)
    sd[aside.setup[alone]] = np.where(seen, adjustment.aside.sd[alone], np.nan)
    return _independent(residual, sd, redundancy)


def control_tests(adjustment: Adjustment) -> BelievedTests:
    """Return the tests of weighted control by point."""
    weight, prior = adjustment.problem.weight, adjustment.problem.prior
    sd = np.where(weight > 0, np.where(weight > 0, weight, 1.0) ** -0.5, np.nan)
    tests = _independent(adjustment.control_residual, sd, adjustment.control_redundancy)
    if not len(prior):
        return tests
    mark = np.searchsorted(prior.marks, prior.point)
    adjusted = point_covariance(adjustment, prior.marks)[mark, prior.component]
    adjusted = adjusted[:, mark, prior.component]
    own, stated = (prior.point, prior.component), prior.weight
    information = np.diagonal(stated - stated @ adjusted @ stated)
    variance = sd[own] ** 2 - np.diagonal(adjusted)
    seen = information * sd[own] ** 2 > UNCHECKED
    with np.errstate(divide="ignore", invalid="ignore"):  # what nothing checks
        tests.residual_sd[own] = np.where(seen, np.sqrt(variance), np.nan)
        tests.bias_sd[own] = np.where(seen, 1.0 / np.sqrt(information), np.nan)
    return tests


def _independent(residual: FloatArray, sd: FloatArray, redundancy: FloatArray) -> BelievedTests:
    """Return the tests of independent values."""
    known = np.sqrt(np.where(redundancy > UNCHECKED, redundancy, np.nan))
    return BelievedTests(residual, sd, redundancy, sd * known, sd / known)
