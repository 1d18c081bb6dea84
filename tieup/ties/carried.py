"""Carry the two lines of a change-over without a shared point to its middle: is there a step?

With A1, A0 the last points before the gap and B0, B1 the first after it, h heights and g grades
along the line, the heights of either side are carried on, s and t far, to the middle of the gap
or to the corner in it. What meets there is a step only beyond what the line itself may do in the
gap: where its grade changes somewhere in between, the two miss each other in the middle by as
much as the change times half the gap, and a corner may be cut.

    step   = (h(B0) - g(B) t) - (h(A0) + g(A) s)
    unsure = |g(B) - g(A)| max(s, t) + max(|g(A)|, |g(B)|) (s + t - chord)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray
from tieup.ties.change_over_readings import CORNER

ENOUGH = 4  # points within runs that show how rough a line is
FARTHEST = 1.6  # times the gap: what the way over a corner in it may be, with some room
UNKNOWN = 1e3  # m, the roughness of a line too short to show its own
NORMAL = 1.4826  # median deviation of a normal variable to its sd


@dataclass(frozen=True)
class Carried:
    """A step (m) with its sd by scatter, and what the line's shape may make of it, ``unsure`` (m).

    ``sd_end``: the sd where one line is carried over the whole gap. NaN where nothing tells.
    """

    step: float = np.nan
    sd: float = np.nan
    sd_end: float = np.nan
    unsure: float = np.nan


def carry(points: FloatArray, covariance: FloatArray, rough: float) -> Carried:
    """Carry both sides to the middle.

    Parameters
    ----------
    points
        Shape (4, 3), m: A1, A0, B0, B1. Nothing is told by fewer.
    covariance
        Shape (4, 4), m^2: of their heights.
    rough
        Sd (m) by which single points of the line lie off its course.
    """
    if len(points) < 4:
        return Carried()
    first, chord, last = _plan_length(np.diff(points, axis=0)).tolist()
    ways = _ways(points[:, :2]) if min(first, last) > 0.0 else None
    if ways is None:
        return Carried()
    heights, gap = points[:, 2], sum(ways)
    spread = covariance + np.diag(np.full(4, min(rough, UNKNOWN) ** 2))
    sds = [
        _sd(_weights(first, last, *carried), spread) for carried in (ways, (gap, 0.0), (0.0, gap))
    ]
    grades = np.array([(heights[1] - heights[0]) / first, (heights[3] - heights[2]) / last])
    unsure = abs(float(grades[1] - grades[0])) * max(abs(ways[0]), abs(ways[1]))
    unsure += float(np.abs(grades).max()) * max(gap - chord, 0.0)
    step = float(_weights(first, last, *ways) @ heights)
    return Carried(step, sds[0], max(sds), unsure)


def _plan_length(steps: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(steps[:, 0], steps[:, 1]))


def _ways(plan: FloatArray) -> tuple[float, float] | None:
    """Return the ways (m) from either side to the middle of the gap, or to the corner in it."""
    ahead, gap, onward = np.diff(plan, axis=0)
    a, way, b = _plan_length(np.diff(plan, axis=0)).tolist()
    turn = wrap_half(np.arctan2(onward[1], onward[0]) - np.arctan2(ahead[1], ahead[0]))
    if abs(float(turn)) <= CORNER:
        return float(gap @ ahead / a) / 2.0, float(gap @ onward / b) / 2.0
    across = float(ahead[0] * onward[1] - ahead[1] * onward[0])
    if across == 0.0:
        return None
    s = float(gap[0] * onward[1] - gap[1] * onward[0]) / across * a
    t = float(ahead[0] * gap[1] - ahead[1] * gap[0]) / across * b
    return (s, t) if min(s, t) >= 0.0 and s + t <= FARTHEST * way else None


def _weights(first: float, last: float, s: float, t: float) -> FloatArray:
    """Return what each height counts in the step (4,); ``first`` and ``last`` are the legs (m)."""
    return np.array([s / first, -1.0 - s / first, 1.0 + t / last, -t / last])


def _sd(weights: FloatArray, covariance: FloatArray) -> float:
    return math.sqrt(max(float(weights @ covariance @ weights), 0.0))


def off_course(runs: Sequence[tuple[int, ...]], position: FloatArray) -> FloatArray:
    """Return how far points of runs lie above their neighbours' chord, as one point's error (m)."""
    triples = [run[i : i + 3] for run in runs for i in range(len(run) - 2)]
    if not triples:
        return np.zeros(0)
    first, middle, last = (position[[t[i] for t in triples]] for i in range(3))
    a, b = (_plan_length(q - p) for p, q in ((first, middle), (middle, last)))
    share = a / np.maximum(a + b, 1e-9)
    above = middle[:, 2] - (1.0 - share) * first[:, 2] - share * last[:, 2]
    found = above / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    return np.asarray(found[np.isfinite(found)])


def roughness(off: FloatArray) -> float:
    """Return the sd (m) of points about their line's course, infinite where too few tell.

    By the median: a drop or a crest within the line is no roughness of all of it. One sd more
    than that, as few points tell it badly: the variance of the median deviation is 1.36 / n times
    its square (Huber, 1981; from memory).
    """
    if len(off) < ENOUGH:
        return np.inf
    sd = NORMAL * np.median(np.abs(off - np.median(off)))
    return float(sd * (1.0 + np.sqrt(1.36 / len(off))))
