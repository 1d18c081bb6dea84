"""Residuals and tests of every raw pointing, from the adjusted means.

The n pointings of a sight share target centring and height. With variance ``a`` of one
pointing and ``b`` shared, their mean has variance q = a/n + b, and the full model of all
pointings splits exactly into the model of the means and the deviations within sights:

    residual    v_i = v_mean + (mean - y_i)
    redundancy  r_i = r_mean / n + 1 - 1/n - h_i
    (P Qv P)_ii     = r_mean / (n^2 q) + (1 - 1/n - h_i) / a

h_i is what estimates made from deviations (collimation, index) take. The redundancy
numbers of all pointings sum to the freedom of the full model.

References: Baarda (1968) for the bias of one of several correlated observations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import LEAST_REDUNDANCY, noncentrality
from tieup.adjust.solution import Adjustment
from tieup.adjust.weights import pointing_variance
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import Pointings, Sights


@dataclass(frozen=True)
class PointingTests:
    """Results for every raw row, arrays (m, 3) in rad, rad, m; NaN where not in the solution.

    ``residual`` is adjusted minus observed, ``w`` the residual over its own sd, ``bias`` the
    most likely error of this pointing alone (observed minus right) and ``statistic`` that
    bias over its sd: the test to compare with other mistakes. ``solved`` (m, 3) marks the
    components that took part. ``dof`` and ``weighted_sum`` are those of the full model.
    """

    solved: BoolArray
    residual: FloatArray
    sd: FloatArray
    redundancy: FloatArray
    w: FloatArray
    mdb: FloatArray
    bias: FloatArray
    statistic: FloatArray
    dof: int
    weighted_sum: float


@dataclass(frozen=True)
class SightResults:
    """Residual, sd and redundancy of each sight's mean (k, 3); NaN outside the solution.

    ``connection`` (k,) is the connection of the sight in the system, -1 where it is
    aside or not solved.
    """

    residual: FloatArray
    sd: FloatArray
    redundancy: FloatArray
    connection: IntArray


def sight_results(adjustment: Adjustment, sights: Sights) -> SightResults:
    """Bring the adjustment's connections back to the order of the sights."""
    shape = (len(sights), 3)
    residual, sd, redundancy = (np.full(shape, np.nan) for _ in range(3))
    connection = np.full(len(sights), -1, dtype=np.int64)
    own = np.flatnonzero(~adjustment.connections.plumb)
    source = adjustment.connections.source[own]
    connection[source] = own
    residual[source] = adjustment.residual[own]
    sd[source] = adjustment.sd[own]
    redundancy[source] = adjustment.redundancy[own]
    sighted = ~adjustment.aside.connections.plumb  # a plumb line's source is a setup
    aside = adjustment.aside.connections.take(sighted)
    observed = np.isfinite(aside.value)
    residual[aside.source] = np.where(observed, 0.0, np.nan)
    sd[aside.source] = np.where(observed, adjustment.aside.sd[sighted], np.nan)
    redundancy[aside.source] = np.where(observed, 0.0, np.nan)
    return SightResults(residual, sd, redundancy, connection)


def examine_pointings(
    adjustment: Adjustment,
    sights: Sights,
    pointings: Pointings,
    alpha: float = 0.001,
    power: float = 0.80,
) -> PointingTests:
    """Test every pointing on its own.

    ``alpha`` and ``power`` settle the minimal detectable bias.
    """
    means = sight_results(adjustment, sights)
    row = np.maximum(pointings.sight, 0)
    taken = (pointings.sight >= 0)[:, None] & np.isfinite(pointings.deviation)
    solved = taken & np.isfinite(means.residual[row])
    n = np.maximum(sights.count, 1)[row]
    alone = (pointing_variance(sights) * np.maximum(sights.count, 1))[row]
    mean_variance = means.sd[row] ** 2
    mean_redundancy = np.clip(means.redundancy[row], 0.0, 1.0)
    within = np.where(n > 1, 1.0 - 1.0 / n - pointings.leverage, 0.0)
    of_mean, deviation = means.residual[row], pointings.deviation
    residual = of_mean + deviation
    redundancy = mean_redundancy / n + within
    checked = solved & (redundancy > LEAST_REDUNDANCY)
    w, mdb, bias, statistic = (np.full(checked.shape, np.nan) for _ in range(4))
    # Side shots are most of the rows, and nothing checks them: the tests are of the others.
    own, r, q, n_own, a, h = (
        part[checked] for part in (residual, mean_redundancy, mean_variance, n, alone, within)
    )
    information = r / (n_own**2 * q) + h / a
    score = -(of_mean[checked] / (n_own * q) + deviation[checked] / a)
    w[checked] = own / np.sqrt(r * q + a * h)
    mdb[checked] = math.sqrt(noncentrality(alpha, power)) / np.sqrt(information)
    bias[checked] = score / information
    statistic[checked] = score / np.sqrt(information)
    deviations = np.where(solved, pointings.deviation, 0.0) ** 2 / alone
    freedom = np.where(solved, within, 0.0).sum()
    return PointingTests(
        solved=solved,
        residual=np.where(solved, residual, np.nan),
        sd=np.where(solved, np.sqrt(alone + mean_variance - alone / n), np.nan),
        redundancy=np.where(solved, redundancy, np.nan),
        w=w,
        mdb=mdb,
        bias=bias,
        statistic=statistic,
        dof=adjustment.dof + round(float(freedom)),
        weighted_sum=adjustment.weighted_sum + float(np.nansum(deviations)),
    )
