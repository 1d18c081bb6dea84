"""Carry the two lines of a change-over without a shared point to its middle: is there a step?

The heights of either side are carried on along the line, at the grade of its last leg, to the
middle of the gap or to the corner in it. What meets there is a step only beyond what the line
itself may do in the gap: where the grade changes by G somewhere in the gap, the two lines miss
each other in its middle by as much as G times half the gap. G is the largest change of grade from
leg to leg around the gap, since the line may do once more what it does there.

With A0, A1, A2 the points from the gap back and B0, B1, B2 those from it on, h heights, g grades
along the line, s and t the ways from A0 and B0 to the middle:

    step   = (h(B0) - g(B) t) - (h(A0) + g(A) s)
    unsure = G max(s, t) + max(|g(A)|, |g(B)|) (s + t - chord)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray
from tieup.ties.lines import CORNER

ENOUGH = 4  # points within runs that show how rough a line is
FARTHEST = 1.6  # times the gap: what the way over a corner in it may be, with some room
UNKNOWN = 1e3  # m, the roughness of a line too short to show its own
NORMAL = 1.4826  # median deviation of a normal variable to its sd


@dataclass(frozen=True)
class Carried:
    """A step (m) with its sd by scatter, what the line's shape may make of it, and the gap (m).

    ``sd_end``: the sd where one line is carried over the whole gap. NaN where nothing tells.
    """

    step: float = np.nan
    sd: float = np.nan
    sd_end: float = np.nan
    unsure: float = np.nan


def carry(before: FloatArray, after: FloatArray, covariance: FloatArray, rough: float) -> Carried:
    """Carry both sides to the middle.

    Parameters
    ----------
    before, after
        Shapes (i, 3) and (j, 3), m: the points of either side from the gap outwards.
    covariance
        Shape (i + j, i + j), m^2: of their heights, in this order.
    rough
        Sd (m) by which single points of the line lie off its course.
    """
    if len(before) < 2 or len(after) < 2:
        return Carried()
    lengths = [_plan_length(np.diff(side, axis=0)) for side in (before, after)]
    ways = _ways(before, after)
    if ways is None or min(part.min() for part in lengths) <= 0.0:
        return Carried()
    middle = _weights(len(before), len(after), lengths, ways)
    whole = covariance + np.diag(np.full(len(covariance), min(rough, UNKNOWN) ** 2))
    heights = np.concatenate([before[:, 2], after[:, 2]])
    gap = sum(ways)
    ends = [
        _weights(len(before), len(after), lengths, way) for way in ((gap, 0.0), (0.0, gap), ways)
    ]
    grades = np.concatenate(
        [np.diff(before[:, 2])[::-1] / -lengths[0][::-1], np.diff(after[:, 2]) / lengths[1]]
    )
    beside = grades[len(lengths[0]) - 1 : len(lengths[0]) + 1]
    chord = float(_plan_length((after[0] - before[0])[None])[0])
    unsure = float(np.abs(np.diff(grades)).max() * np.abs(ways).max())
    unsure += float(np.abs(beside).max()) * max(gap - chord, 0.0)
    return Carried(
        float(middle @ heights),
        _sd(middle, whole),
        max(_sd(end, whole) for end in ends),
        unsure,
    )


def _plan_length(steps: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(steps[:, 0], steps[:, 1]))


def _ways(before: FloatArray, after: FloatArray) -> tuple[float, float] | None:
    """Return the ways (m) from either side to the middle of the gap, or to the corner in it."""
    ahead = (before[0] - before[1])[:2]
    onward = (after[1] - after[0])[:2]
    gap = (after[0] - before[0])[:2]
    a, b = (float(np.hypot(leg[0], leg[1])) for leg in (ahead, onward))
    if min(a, b) <= 0.0:
        return None
    turn = np.arctan2(onward[1], onward[0]) - np.arctan2(ahead[1], ahead[0])
    if abs(float(wrap_half(np.array(turn)))) <= CORNER:
        return float(gap @ ahead / a) / 2.0, float(gap @ onward / b) / 2.0
    across = ahead[0] * onward[1] - ahead[1] * onward[0]
    if across == 0.0:
        return None
    s = float((gap[0] * onward[1] - gap[1] * onward[0]) / across * a)
    t = float((ahead[0] * gap[1] - ahead[1] * gap[0]) / across * b)
    way = float(np.hypot(gap[0], gap[1]))
    if min(s, t) < 0.0 or s + t > FARTHEST * way:
        return None
    return s, t


def _weights(
    before: int, after: int, lengths: Sequence[FloatArray], ways: tuple[float, float]
) -> FloatArray:
    """Return what each height counts in the step, (before + after,)."""
    weights = np.zeros(before + after)
    s, t = ways[0] / lengths[0][0], ways[1] / lengths[1][0]
    weights[:2] = -(1.0 + s), s
    weights[before : before + 2] = 1.0 + t, -t
    return weights


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

    By the median: a drop or a crest within the line is no roughness of all of it. At its upper
    limit of 2 sds, as few points tell it badly: the variance of the median deviation is 1.36 / n
    times its square (Huber, 1981; from memory).
    """
    if len(off) < ENOUGH:
        return np.inf
    sd = NORMAL * np.median(np.abs(off - np.median(off)))
    return float(sd * (1.0 + 2.0 * np.sqrt(1.36 / len(off))))
