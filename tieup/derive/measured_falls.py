"""Falls: the slope of legs and between places, low spots, and named checks against limits.

A fall is f = h / l, drop over horizontal length, positive downhill. With the covariance Q of
(l, h), its variance is g Q g' with g = (-f, 1) / l. A check is judged at the job's confidence,
one-sided:

    fail         the fall lies beyond a limit by more than chance explains
    pass         it lies within by more than chance explains, every leg of it
    cannot tell  neither
    untested     the point lies beyond the end of the string that it is held against

Where a check has many legs, failures are judged as one family (Holm), so that sound work fails no
more often than 1 - confidence however many legs it has. To pass, every leg must pass by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import normal_critical, normal_tail
from tieup.derive.legs import Legs
from tieup.linework.oddities import SAME
from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.ties.multiple_testing import holm

PASS, FAIL, CANNOT_TELL, UNTESTED = "pass", "fail", "cannot tell", "untested"
LOW, PERHAPS = "low", "perhaps"


@dataclass(frozen=True)
class Falls:
    """Falls (n,) as ratios with their sds; NaN where a leg is too short to have one."""

    value: FloatArray
    sd: FloatArray


def falls_of(length: FloatArray, drop: FloatArray, covariance: FloatArray) -> Falls:
    """Return the falls of legs: ``length``, ``drop`` (n,) in m, ``covariance`` (n, 2, 2) in m^2.

    Points closer than `SAME` are one place and have no fall between them.
    """
    span = np.where(length > SAME, length, np.nan)
    value = drop / span
    slope = np.stack([-value, np.ones_like(value)], axis=-1) / span[:, None]
    variance = np.einsum("ni,nij,nj->n", slope, covariance, slope)
    return Falls(value, np.sqrt(np.maximum(variance, 0.0)))


def verdicts(falls: Falls, minimum: float, maximum: float, confidence: float) -> TextArray:
    """Return the verdict (n,) of each fall of one check."""
    beyond = holm(_chance(falls, minimum, maximum), 1.0 - confidence)
    reach = _quantile(confidence) * falls.sd
    with np.errstate(invalid="ignore"):
        inside = (falls.value - reach >= minimum) & (falls.value + reach <= maximum)
    found = np.where(inside, PASS, CANNOT_TELL).astype(object)
    found[beyond] = FAIL
    return found


def verdict_of(parts: TextArray) -> str:
    """Return the verdict of a whole check: the worst of its parts; nothing is never a pass.

    What is untested lies beside what the check is about and says nothing.
    """
    found = set(parts.tolist()) - {UNTESTED}
    if FAIL in found:
        return FAIL
    return PASS if found == {PASS} else CANNOT_TELL


def reach_of(sd: FloatArray, confidence: float) -> FloatArray:
    """Return how far a fall may lie on one side (n,), at the confidence."""
    return np.asarray(_quantile(confidence) * sd)


def _chance(falls: Falls, minimum: float, maximum: float) -> FloatArray:
    """Return the chance (n,) that a fall within the limits comes out this far beyond one."""
    beyond = np.maximum(minimum - falls.value, falls.value - maximum)
    with np.errstate(invalid="ignore", divide="ignore"):
        chance = normal_tail(beyond / falls.sd)
    sure = falls.sd == 0.0  # both ends are held
    return np.where(sure, np.where(beyond > 0.0, 0.0, 1.0), chance)


def _quantile(confidence: float) -> float:
    """Return the one-sided normal quantile; below 1/2 a confidence is none."""
    return float(normal_critical(min(1.0 - confidence, 0.5)))


def low_spots(legs: Legs, confidence: float) -> tuple[IntArray, TextArray]:
    """Return the legs behind which a part has a low spot at its end, and how sure it is.

    A point is ``low`` where both its neighbours along the line are higher by more than chance
    explains, ``perhaps`` where they are higher by less. The ends of an open line are none.
    """
    behind, ahead = _successions(legs)
    sd = np.sqrt(legs.covariance[:, 1, 1])
    reach = _quantile(confidence) * sd
    higher = (legs.drop[behind] > 0) & (legs.drop[ahead] < 0)
    with np.errstate(invalid="ignore"):
        sure = (legs.drop[behind] > reach[behind]) & (-legs.drop[ahead] > reach[ahead])
    found = np.flatnonzero(higher)
    return behind[found], np.where(sure[found], LOW, PERHAPS).astype(object)


def _successions(legs: Legs) -> tuple[IntArray, IntArray]:
    """Return pairs of legs that follow each other; the last of a closed part and its first."""
    count = len(legs)
    if not count:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    new = (np.diff(legs.line) != 0) | (np.diff(legs.part) != 0)
    follows = np.flatnonzero(~new)
    first = np.concatenate([[0], np.flatnonzero(new) + 1])
    last = np.concatenate([first[1:] - 1, [count - 1]])
    closed = (legs.end[last] == legs.start[first]) & (last > first)
    behind = np.concatenate([follows, last[closed]])
    return behind, np.concatenate([follows + 1, first[closed]])
