"""Residuals and tests of every raw pointing, from the adjusted means.

The n pointings of a sight share target centring and height. With variance ``a`` of one
pointing and ``b`` shared, their mean has variance q = a/n + b, and the full model of all
pointings splits exactly into the model of the means and the deviations within sights:

    residual    v_i = v_mean + (mean - y_i)
    redundancy  r_i = r_mean / n + 1 - 1/n - h_i
    (P Qv P)_ii     = (P Qv P)_mean / n^2 + (1 - 1/n - h_i) / a

P and Qv of the means are full: zenith angle and distance of a sight are correlated. h_i is what
estimates made from deviations (collimation, index) take. The redundancy numbers of all
pointings sum to the freedom of the full model.

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

DELTA = math.sqrt(noncentrality(0.001, 0.80))  # Baarda's usual choice: 4.13


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

    ``weighed`` (k, 3) is P v, ``information`` (k, 3) the diagonal of P Qv P and ``variance``
    (k, 3) that of Qv. ``connection`` (k,) is the connection of the
    sight in the system, -1 where it is aside or not solved.
    """

    residual: FloatArray
    sd: FloatArray
    redundancy: FloatArray
    weighed: FloatArray
    information: FloatArray
    variance: FloatArray
    connection: IntArray


def sight_results(adjustment: Adjustment, sights: Sights) -> SightResults:
    """Bring the adjustment's connections back to the order of the sights."""
    shape = (len(sights), 3)
    residual, sd, redundancy, weighed, information, variance = (
        np.full(shape, np.nan) for _ in range(6)
    )
    connection = np.full(len(sights), -1, dtype=np.int64)
    own = np.flatnonzero(~adjustment.connections.plumb)
    source = adjustment.connections.source[own]
    connection[source] = own
    residual[source] = adjustment.residual[own]
    sd[source] = adjustment.sd[own]
    redundancy[source] = adjustment.redundancy[own]
    noise, leverage = adjustment.noise.of(own), adjustment.leverage[own]
    weighed[source] = noise.weighed(adjustment.whitened[own])
    information[source] = noise.information(leverage)
    variance[source] = noise.residual_variance(leverage)
    sighted = ~adjustment.aside.connections.plumb  # a plumb line's source is a setup
    aside = adjustment.aside.connections.take(sighted)
    observed = np.isfinite(aside.value)
    residual[aside.source] = np.where(observed, 0.0, np.nan)
    sd[aside.source] = np.where(observed, adjustment.aside.sd[sighted], np.nan)
    for part in (redundancy, weighed, information, variance):
        part[aside.source] = np.where(observed, 0.0, np.nan)
    return SightResults(residual, sd, redundancy, weighed, information, variance, connection)


def examine_pointings(
    adjustment: Adjustment,
    sights: Sights,
    pointings: Pointings,
    smallest: FloatArray | float = DELTA,
) -> PointingTests:
    """Test every pointing on its own.

    ``smallest`` is the minimal detectable bias in units of its own sd, one for all or (m, 3).
    """
    means = sight_results(adjustment, sights)
    row = np.maximum(pointings.sight, 0)
    taken = (pointings.sight >= 0)[:, None] & np.isfinite(pointings.deviation)
    solved = taken & np.isfinite(means.residual[row])
    n = np.maximum(sights.count, 1)[row]
    alone = (pointing_variance(sights) * np.maximum(sights.count, 1))[row]
    within = np.where(n > 1, 1.0 - 1.0 / n - pointings.leverage, 0.0)
    residual = means.residual[row] + pointings.deviation
    redundancy = means.redundancy[row] / n + within
    information = means.information[row] / n**2 + within / alone
    checked = solved & (information * alone > LEAST_REDUNDANCY)
    w, mdb, bias, statistic = (np.full(checked.shape, np.nan) for _ in range(4))
    # Side shots are most of the rows, and nothing checks them: the tests are of the others.
    deviation, alone_, within_, information_, n_ = (
        part[checked] for part in (pointings.deviation, alone, within, information, n)
    )
    score = -(means.weighed[row][checked] / n_ + deviation / alone_)
    w[checked] = residual[checked] / np.sqrt(means.variance[row][checked] + alone_ * within_)
    each = np.broadcast_to(np.asarray(smallest, dtype=np.float64), checked.shape)
    mdb[checked] = each[checked] / np.sqrt(information_)
    bias[checked] = score / information_
    statistic[checked] = score / np.sqrt(information_)
    deviations = np.where(solved, pointings.deviation, 0.0) ** 2 / alone
    freedom = np.where(solved, within, 0.0).sum()
    return PointingTests(
        solved=solved,
        residual=np.where(solved, residual, np.nan),
        sd=np.where(solved, np.sqrt(alone + means.sd[row] ** 2 - alone / n), np.nan),
        redundancy=np.where(solved, redundancy, np.nan),
        w=w,
        mdb=mdb,
        bias=bias,
        statistic=statistic,
        dof=adjustment.dof + round(float(freedom)),
        weighted_sum=adjustment.weighted_sum + float(np.nansum(deviations)),
    )
