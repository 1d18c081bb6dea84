"""Read a line of points across a change-over: step, gap, kink, with sds; and its own bends.

With A1, A0 the last points before the change-over and B0, B1 the first after it, both
lines are carried on to the middle between A0 and B0; the step is the difference of their
heights there and the gap that of their places across the mean direction. Of three points
(A, the shared one, B) only the kink is read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray

STEP, GAP, KINK, GRADE = range(4)
CORNER = np.radians(30.0)  # a line that turns by more has a corner here: nothing to carry on
PROBE = 1e-4  # m, step of the numerical derivatives: the lines are metres long
ENOUGH = 4  # bends that show how smooth a line is
# Points scattered by r about an evenly spaced straight line: the step carried on has the
# variance 5 r^2, the offset of a point from the chord of its neighbours 1.5 r^2.
CARRIED = np.sqrt(5.0 / 1.5)


@dataclass(frozen=True)
class LineReading:
    """``value`` and ``sd`` (4,): step, gap (m), kink of direction (rad) and of grade."""

    value: FloatArray
    sd: FloatArray


@dataclass(frozen=True)
class Smoothness:
    """How a line runs inside one setup's shots: sd (4,) of its own steps, gaps and kinks.

    ``kink`` is the mean change of direction per point (rad): a steady curve. The sds are
    NaN-free; infinite where the line is too short to tell.
    """

    sd: FloatArray
    kink: float


def read_line(points: FloatArray, covariance: FloatArray) -> LineReading:
    """Read points (k, 3), k = 3 or 4, with their joint covariance (3k, 3k); NaN if fewer."""
    k = len(points)
    if k not in (3, 4):
        return LineReading(np.full(4, np.nan), np.full(4, np.nan))
    read = _carried if k == 4 else _turned
    value = read(points)
    slope = np.empty((4, 3 * k))
    for i in range(3 * k):
        probe = np.zeros(3 * k)
        probe[i] = PROBE
        away = read(points + probe.reshape(k, 3)) - read(points - probe.reshape(k, 3))
        away[KINK] = wrap_half(away[KINK])
        slope[:, i] = away / (2.0 * PROBE)
    variance = np.einsum("vi,ij,vj->v", slope, covariance, slope)
    sd = np.sqrt(np.maximum(variance, 0.0))  # between held marks it is rounding, of either sign
    return LineReading(value, sd)


def _carried(points: FloatArray) -> FloatArray:
    a, b = points[1] - points[0], points[3] - points[2]
    length_a, length_b = np.hypot(*a[:2]), np.hypot(*b[:2])
    kink, grade = _kinks(a, b)
    if abs(kink) > CORNER:
        return np.array([np.nan, np.nan, kink, grade])
    middle = (points[1] + points[2])[:2] / 2.0
    on_a = points[1] + a * ((middle - points[1, :2]) @ a[:2]) / length_a**2
    on_b = points[2] + b * ((middle - points[2, :2]) @ b[:2]) / length_b**2
    along = a[:2] / length_a + b[:2] / length_b
    along /= np.hypot(*along)
    offset = on_b - on_a
    return np.array([offset[2], along[0] * offset[1] - along[1] * offset[0], kink, grade])


def _turned(points: FloatArray) -> FloatArray:
    kink, grade = _kinks(points[1] - points[0], points[2] - points[1])
    return np.array([np.nan, np.nan, kink, grade])


def _kinks(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the change of plan direction (rad) and of grade from ``a`` to ``b`` (..., 3)."""
    turn = np.arctan2(b[..., 1], b[..., 0]) - np.arctan2(a[..., 1], a[..., 0])
    grades = [v[..., 2] / np.hypot(v[..., 0], v[..., 1]) for v in (a, b)]
    return np.stack([wrap_half(turn), grades[1] - grades[0]], axis=-1)


def smoothness(runs: Sequence[tuple[int, ...]], position: FloatArray) -> Smoothness:
    """Return how smoothly the runs of one line go, from every three points in a row."""
    triples = [run[i : i + 3] for run in runs for i in range(len(run) - 2)]
    if len(triples) < ENOUGH:
        return Smoothness(np.full(4, np.inf), 0.0)
    first, middle, last = (position[[t[i] for t in triples]] for i in range(3))
    a, b, chord = middle - first, last - middle, last - first
    length = np.hypot(chord[:, 0], chord[:, 1])
    share = np.einsum("ni,ni->n", a[:, :2], chord[:, :2]) / length**2
    aside = (chord[:, 0] * a[:, 1] - chord[:, 1] * a[:, 0]) / length
    above = a[:, 2] - share * chord[:, 2]
    kinks = _kinks(a, b)
    straight = np.abs(kinks[:, 0]) <= CORNER
    if straight.sum() < ENOUGH:
        return Smoothness(np.full(4, np.inf), 0.0)
    sd = [CARRIED * above[straight].std(), CARRIED * aside[straight].std()]
    sd += [kinks[straight, 0].std(), kinks[straight, 1].std()]
    return Smoothness(np.array(sd), float(kinks[straight, 0].mean()))
