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
class Readings:
    """The readings of one kind of one instrument, shape (r,).

    ``value`` (rad, brought to face 1), ``by_axis`` its derivative by the axis error,
    ``turned`` the number of the turned round that a row is in, or -1, ``setup`` and ``sight``
    numbers, ``sd`` (rad) of one pointing. ``circular``: directions, a full circle is nothing.
    """

    value: FloatArray
    by_axis: FloatArray
    turned: IntArray
    setup: IntArray
    sight: IntArray
    sd: FloatArray
    circular: bool


@dataclass(frozen=True)
class Common:
    """The coefficients of one instrument and one kind of reading, in rad.

    ``axis`` with its ``variance`` (infinite: nothing bears on it), from ``sights`` sights;
    ``turn`` (t,) of each turned round. ``covariance`` (1 + t, 1 + t) of all of them, 0 where
    unknown. ``leverage`` (r,) is what they take of each row's deviation.
    """

    axis: float
    variance: float
    sights: int
    turn: FloatArray
    covariance: FloatArray
    leverage: FloatArray


@dataclass(frozen=True)
class Part:
    """Rows (n,) of setups without turns, or of one with, and the ``columns`` (c,) they bear on.

    ``mean`` (n, c) is the derivative of the row's sight's mean, ``x`` (n, c) that of its
    deviation.
    """

    rows: IntArray
    columns: IntArray
    mean: FloatArray
    x: FloatArray


def estimate_common(readings: Readings, turns: int) -> Common:
    """Estimate the axis error and the ``turns`` of one instrument, robustly."""
    y = centred(readings.value, readings.sight, circular=readings.circular)
    parts = _parts(readings)
    on_axis = np.zeros(len(y), dtype=np.bool_)
    bearing = np.zeros(len(y), dtype=np.bool_)
    for part in parts:
        on_axis[part.rows] = np.abs(part.x[:, 0]) > NOTHING
        bearing[part.rows] = (np.abs(part.x) > NOTHING).any(axis=1)
    if not bearing.any():
        none = np.zeros((1 + turns, 1 + turns))
        return Common(0.0, np.inf, 0, np.zeros(turns), none, np.zeros(len(y)))
    beta = _start(parts, y, turns)
    trusted, inverse = np.zeros(len(y), dtype=np.bool_), np.zeros((0, 0))
    for _ in range(ROUNDS):
        left = _left(parts, y, beta)
        before, trusted = trusted, _trusted(left, readings.sight, readings.sd, bearing)
        if (trusted == before).all():
            break  # the same rows give the same again
        beta, inverse = _solve(parts, y, readings.sd, trusted, 1 + turns)
    known = inverse[0, 0] > 0.0
    return Common(
        axis=float(beta[0]),
        variance=float(inverse[0, 0]) if known else np.inf,
        sights=len(np.unique(readings.sight[on_axis])) if known else 0,
        turn=beta[1:],
        covariance=inverse,
        leverage=_leverage(parts, readings.sd, trusted, inverse),
    )


def centred(value: FloatArray, sight: IntArray, *, circular: bool) -> FloatArray:
    """Return deviations from the sight's mean (rad), on the circle where asked."""
    if circular:
        _, first, inverse = np.unique(sight, return_index=True, return_inverse=True)
        value = wrap_half(value - value[first][inverse])
    return value - group_mean(value, sight)


def _parts(readings: Readings) -> list[Part]:
    """Split the rows so that each part has few columns: the axis, and a setup's own turns."""
    inside = readings.turned >= 0
    with_turns = np.unique(readings.setup[inside])
    plain = np.flatnonzero(~np.isin(readings.setup, with_turns))
    parts = [_part(readings, plain, np.zeros(0, dtype=np.int64))]
    for setup in with_turns.tolist():
        rows = np.flatnonzero(readings.setup == setup)
        turned = readings.turned[rows]
        parts.append(_part(readings, rows, np.unique(turned[turned >= 0])))
    return parts


def _part(readings: Readings, rows: IntArray, turns: IntArray) -> Part:
    of_turns = readings.turned[rows][:, None] == turns
    columns = np.column_stack([readings.by_axis[rows], of_turns.astype(np.float64)])
    mean = _means_by(readings.sight[rows], columns)
    return Part(rows, np.concatenate([[0], 1 + turns]), mean, columns - mean)


def _means_by(group: IntArray, columns: FloatArray) -> FloatArray:
    if not len(group):
        return columns
    return np.column_stack([group_mean(column, group) for column in columns.T])


def owed_sd(readings: Readings, found: Common) -> FloatArray:
    """Return the sd (r,) in rad that the mean of each row's sight owes to the coefficients.

    What all directions of a setup owe alike goes into its orientation and does not count.
    """
    sd = np.zeros(len(readings.value))
    for part in _parts(readings):
        mean = part.mean
        if readings.circular:
            mean = mean - _means_by(readings.setup[part.rows], mean)
        own = found.covariance[np.ix_(part.columns, part.columns)]
        variance = np.einsum("ri,ij,rj->r", mean, own, mean)
        sd[part.rows] = np.sqrt(np.maximum(variance, 0.0))
    return sd


def _start(parts: list[Part], y: FloatArray, turns: int) -> FloatArray:
    """Return the median axis error of all pairs; turns were taken off before and start at 0."""
    beta = np.zeros(1 + turns)
    ratios = []
    for part in parts:
        along = np.abs(part.x[:, 0]) > NOTHING
        ratios.append(y[part.rows][along] / part.x[along, 0])
    found = np.concatenate(ratios)
    if len(found):
        beta[0] = np.median(found)
    return beta


def _left(parts: list[Part], y: FloatArray, beta: FloatArray) -> FloatArray:
    left = y.copy()
    for part in parts:
        left[part.rows] -= part.x @ beta[part.columns]
    return left


def _trusted(left: FloatArray, sight: IntArray, sd: FloatArray, bearing: BoolArray) -> BoolArray:
    """Return the rows of sights without an outlying deviation; all where none would be left.

    Where the readings scatter more than stated, more counts as usual.
    """
    size = np.abs(left[bearing] / sd[bearing])
    limit = OUTLYING * max(1.0, 1.5 * float(np.median(size)))
    out = np.unique(sight[bearing][size > limit])
    kept: BoolArray = bearing & ~np.isin(sight, out)
    return kept if kept.any() else bearing


def _solve(
    parts: list[Part], y: FloatArray, sd: FloatArray, trusted: BoolArray, unknowns: int
) -> tuple[FloatArray, FloatArray]:
    """Return the least-squares coefficients and their cofactors; 0 where undetermined."""
    normal, right = np.zeros((unknowns, unknowns)), np.zeros(unknowns)
    for part in parts:
        weight = np.where(trusted[part.rows], sd[part.rows] ** -2.0, 0.0)[:, None]
        normal[np.ix_(part.columns, part.columns)] += part.x.T @ (weight * part.x)
        right[part.columns] += part.x.T @ (weight[:, 0] * y[part.rows])
    open_ = np.diagonal(normal) <= 0.0
    scale = np.sqrt(np.where(open_, 1.0, np.diagonal(normal)))
    size = np.outer(scale, scale)
    inverse = np.linalg.pinv(normal / size, rcond=1e-10, hermitian=True) / size
    inverse[open_] = inverse[:, open_] = 0.0
    return inverse @ right, inverse


def _leverage(
    parts: list[Part], sd: FloatArray, trusted: BoolArray, inverse: FloatArray
) -> FloatArray:
    leverage = np.zeros(len(sd))
    for part in parts:
        own = inverse[np.ix_(part.columns, part.columns)]
        taken = np.einsum("ri,ij,rj->r", part.x, own, part.x) / sd[part.rows] ** 2
        leverage[part.rows] = np.where(trusted[part.rows], taken, 0.0)
    return leverage
