"""Compare how two setups place the same marks, each from all else it knows.

As an alternative on the factor: the first setup's sights of the marks see them moved by one
rigid step (N, E, H, and a turn about their middle). Marks that others know too (a third
setup, control, a tape) get a shift of their own common to both setups, so that only the two
are compared. A plumb line counts as a sight of the mark below.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.hypothesis import Bias, gram, no_bias, project, score
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray
from tieup.threads import one_thread

TESTABLE = 1e-3  # smallest share of a step that must stay visible in the residuals
BATCH = 2e7  # numbers in one right-hand side
TURN = 3
BLOCKS = (
    np.array([0, 1, 2, 3]),
    np.array([0, 1, 3]),
    np.array([0, 1]),
    np.array([2]),
)  # what is solved for: all, plan with turn, plan, height


@dataclass(frozen=True)
class Comparison:
    """Two setups and the marks to compare them at.

    ``first``, ``second`` are the connections of each setup to the marks; ``known`` are those of
    the marks that others know too.
    """

    first: tuple[int, ...]
    second: tuple[int, ...]
    known: tuple[int, ...]

    @property
    def columns(self) -> int:
        """Return how many columns the alternative has."""
        return 4 + 3 * len(self.known)


@dataclass(frozen=True)
class Steps:
    """``step`` (q, 4) N, E, H (m) and turn (rad), first minus second, at ``middle`` (q, 2).

    ``covariance`` (q, 4, 4); NaN where nothing tests it.
    """

    step: FloatArray
    covariance: FloatArray
    middle: FloatArray


def column_size(adjustment: Adjustment) -> int:
    """Return how many numbers one column of an alternative has."""
    return 3 * (len(adjustment.connections) + len(adjustment.position)) + 4 * len(adjustment.axis)


def compare(adjustment: Adjustment, comparisons: list[Comparison]) -> Steps:
    """Estimate the rigid step of every comparison."""
    count = len(comparisons)
    point = adjustment.connections.point
    middle = np.array(
        [adjustment.position[np.unique(point[list(c.first)]), :2].mean(axis=0) for c in comparisons]
    ).reshape(-1, 2)
    step, covariance = np.full((count, 4), np.nan), np.full((count, 4, 4), np.nan)
    room = max(BATCH / column_size(adjustment), 64)
    part = np.cumsum([c.columns for c in comparisons]) // room
    with one_thread():
        for number in np.unique(part):
            batch = np.flatnonzero(part == number)
            chosen = [comparisons[i] for i in batch]
            step[batch], covariance[batch] = _steps(adjustment, chosen, middle[batch])
    return Steps(step, covariance, middle)


def _steps(
    adjustment: Adjustment, comparisons: list[Comparison], middle: FloatArray
) -> tuple[FloatArray, FloatArray]:
    bias, spans = _columns(adjustment, comparisons, middle)
    whole, left = gram(bias, bias), gram(bias, project(adjustment, bias))
    push = score(adjustment, bias)
    step = np.full((len(spans), 4), np.nan)
    covariance = np.full((len(spans), 4, 4), np.nan)
    for i, span in enumerate(spans):
        motion, own = slice(span.start, span.start + 4), slice(span.start + 4, span.stop)
        cross = left[motion, own]
        inverse = np.linalg.pinv(left[own, own], rcond=1e-9, hermitian=True)
        kept = left[motion, motion] - cross @ inverse @ cross.T
        pushed = push[motion] - cross @ inverse @ push[own]
        _solve(whole[motion, motion], kept, pushed, step[i], covariance[i])
    return step, covariance


def _columns(
    adjustment: Adjustment, comparisons: list[Comparison], middle: FloatArray
) -> tuple[Bias, list[slice]]:
    """Return the columns of all comparisons, and which belong to each."""
    stops = np.cumsum([c.columns for c in comparisons])
    spans = [slice(int(b) - c.columns, int(b)) for b, c in zip(stops, comparisons, strict=True)]
    bias = no_bias(adjustment, int(stops[-1]))
    place, point = adjustment.rows.by_place, adjustment.connections.point
    for comparison, span, pivot in zip(comparisons, spans, middle, strict=True):
        first = np.array(comparison.first)
        arm = adjustment.position[point[first], :2] - pivot
        motion = np.zeros((len(first), 3, 4))
        motion[:, [0, 1, 2], [0, 1, 2]] = 1.0
        motion[:, 0, TURN], motion[:, 1, TURN] = -arm[:, 1], arm[:, 0]
        bias.connections[first, :, span.start : span.start + 4] = place[first] @ motion
        both = np.array(comparison.first + comparison.second)
        for number, mark in enumerate(comparison.known):
            start = span.start + 4 + 3 * number
            own = both[point[both] == mark]
            bias.connections[own, :, start : start + 3] = place[own]
    return bias, spans


def _solve(
    seen: FloatArray, kept: FloatArray, push: FloatArray, step: FloatArray, covariance: FloatArray
) -> None:
    """Fill ``step`` (4,) and ``covariance`` (4, 4) with every part that shows."""
    for parts in BLOCKS:
        square = np.ix_(parts, parts)
        scale = np.sqrt(np.diag(seen)[parts])
        if not np.isnan(step[parts]).all() or (scale <= 1e-9).any():
            continue
        share = np.linalg.eigvalsh(kept[square] / np.outer(scale, scale))[0]
        if share > TESTABLE:
            covariance[square] = np.linalg.inv(kept[square])
            step[parts] = covariance[square] @ push[parts]
