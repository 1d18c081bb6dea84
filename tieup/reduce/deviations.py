"""Estimate what all pointings of an instrument share from their deviations within sights.

    reading r of sight s:   y_r = mean_s + a_r axis error + turn of the round

Axis error: collimation or vertical index, one an instrument. Turns: one for each round after
the first whose circle was turned, one setup at a time. Both at once by least squares, so that
a direction that only one face and one round has seen gets what belongs to it.

The means leave n - 1 deviations of n pointings; each coefficient takes one more. That is the
leverage h_i of a deviation: its redundancy number is 1 - 1/n - h_i.

References: Ghilani, Adjustment Computations, elimination of nuisance unknowns, least squares
with a bordered normal matrix.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.reduce.groups import group_mean

OUTLYING = 4.0  # sds; a sight with a deviation beyond has no say
NOTHING = 1e-9  # part of a column that says nothing about its coefficient
ROUNDS = 5


@dataclass(frozen=True)
class Common:
    """The coefficients of one instrument and one kind of reading, in rad.

    ``axis`` with ``axis_variance`` (infinite: nothing bears on it), from ``sights`` sights;
    ``turn`` (t,) of each turned round. ``shift`` (r,) is what the coefficients add to each
    row, ``leverage`` (r,) what they take of its deviation. ``covariance`` (1 + t, 1 + t).
    """

    axis: float
    axis_variance: float
    sights: int
    turn: FloatArray
    covariance: FloatArray
    leverage: FloatArray


def estimate_common(
    value: FloatArray,
    by_axis: FloatArray,
    turned: IntArray,
    turns: int,
    sight: IntArray,
    sd: FloatArray,
    *,
    circular: bool,
) -> Common:
    """Estimate the axis error and the turns of one instrument, robustly.

    Parameters
    ----------
    value, by_axis, sight, sd
        Shape (r,): readings brought to face 1 (rad), derivative by the axis error, sight
        number, sd of one pointing (rad).
    turned, turns
        Shape (r,): number of the turned round that a row is in, or -1; how many there are.
    circular
        Directions: a full circle is nothing.
    """
    columns = np.zeros((len(value), 1 + turns))
    columns[:, 0] = by_axis
    inside = np.flatnonzero(turned >= 0)
    columns[inside, 1 + turned[inside]] = 1.0
    x = np.column_stack([column - group_mean(column, sight) for column in columns.T])
    y = centred(value, sight, circular=circular)
    bearing = np.asarray((np.abs(x) > NOTHING).any(axis=1))
    if not bearing.any():
        return _nothing(len(value), turns)
    start = _start(x, y)
    trusted, beta = bearing, start
    inverse = np.zeros((1 + turns, 1 + turns))
    for _ in range(ROUNDS):
        trusted = _trusted(y - x @ beta, sight, sd, bearing)
        beta, inverse = _solve(x[trusted] / sd[trusted, None], y[trusted] / sd[trusted])
    design = x / sd[:, None]
    leverage = np.where(trusted, np.einsum("ri,ij,rj->r", design, inverse, design), 0.0)
    on_axis = np.abs(x[:, 0]) > NOTHING
    known = inverse[0, 0] > 0.0
    return Common(
        axis=float(beta[0]),
        axis_variance=float(inverse[0, 0]) if known else np.inf,
        sights=len(np.unique(sight[on_axis])) if known else 0,
        turn=beta[1:],
        covariance=inverse,
        leverage=leverage,
    )


def centred(value: FloatArray, sight: IntArray, *, circular: bool) -> FloatArray:
    """Return deviations from the sight's mean (rad), on the circle where asked."""
    if circular:
        _, first, inverse = np.unique(sight, return_index=True, return_inverse=True)
        value = wrap_half(value - value[first][inverse])
    return value - group_mean(value, sight)


def _nothing(rows: int, turns: int) -> Common:
    none = np.zeros((1 + turns, 1 + turns))
    return Common(0.0, np.inf, 0, np.zeros(turns), none, np.zeros(rows))


def _start(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the median axis error of all pairs; turns were taken off already and start at 0."""
    beta = np.zeros(x.shape[1])
    on_axis = np.abs(x[:, 0]) > NOTHING
    if on_axis.any():
        beta[0] = np.median(y[on_axis] / x[on_axis, 0])
    return beta


def _trusted(left: FloatArray, sight: IntArray, sd: FloatArray, bearing: BoolArray) -> BoolArray:
    """Return the rows of sights without an outlying deviation; all where none would be left.

    Where the readings scatter more than stated, more counts as usual.
    """
    size = np.abs(left[bearing] / sd[bearing])
    limit = OUTLYING * max(1.0, 1.5 * float(np.median(size)))
    out = np.unique(sight[bearing][size > limit])
    kept = bearing & ~np.isin(sight, out)
    return kept if kept.any() else bearing


def _solve(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the least-squares coefficients and their cofactors; 0 where undetermined."""
    normal = x.T @ x
    scale = np.sqrt(np.maximum(np.diagonal(normal), 1e-300))
    inverse: FloatArray = np.linalg.pinv(
        normal / np.outer(scale, scale), rcond=1e-10, hermitian=True
    ) / np.outer(scale, scale)
    inverse[np.diagonal(normal) <= 0.0] = 0.0
    inverse[:, np.diagonal(normal) <= 0.0] = 0.0
    return inverse @ (x.T @ y), inverse
