"""Compare how two setups place the same marks, each from all else it knows.

As an alternative on the factor: the first setup's sights of the marks see them moved by one
rigid step (N, E, H, and a turn about their middle). Marks that others know too (a third
setup, control, a tape) get a shift of their own common to both setups, so that only the two
are compared. A plumb line counts as a sight of the mark below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.estimable import Information, estimates, stacked
from tieup.adjust.hypothesis import Bias, informations
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.threads import one_thread
from tieup.ties.shifts import VAGUE

TURN = 3
WORK = 2e10  # multiplications that all comparisons of a run may take
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


def within_means(comparisons: list[Comparison], suspicion: FloatArray) -> IntArray:
    """Return which comparisons to make: all, or of very many wide ones the most suspect."""
    columns = np.array([c.columns for c in comparisons], dtype=np.float64)
    order = np.argsort(-suspicion, kind="stable")
    return np.sort(order[np.cumsum(columns[order] ** 3) <= WORK])


def compare(adjustment: Adjustment, comparisons: list[Comparison]) -> Steps:
    """Estimate the rigid step of every comparison."""
    point = adjustment.connections.point
    middle = np.array(
        [adjustment.position[np.unique(point[list(c.first)]), :2].mean(axis=0) for c in comparisons]
    ).reshape(-1, 2)
    alternatives = [
        _columns(adjustment, comparison, pivot)
        for comparison, pivot in zip(comparisons, middle, strict=True)
    ]
    with one_thread():
        info = _of_the_steps(informations(adjustment, alternatives))

    def barred(parts: IntArray, rows: IntArray) -> BoolArray:
        covariance = np.linalg.inv(info.left[np.ix_(rows, parts, parts)])
        variance = np.diagonal(covariance, axis1=1, axis2=2)[:, parts != TURN]
        return np.asarray((variance > VAGUE**2).any(axis=1))

    return Steps(*estimates(info, BLOCKS, barred), middle)


def _of_the_steps(known: Sequence[Information]) -> Information:
    """Return what is known of the steps alone, the shifts of the known marks set free."""
    whole = stacked([_cut(info) for info in known], 4)
    width = np.array([len(info.push) for info in known], dtype=np.int64)
    for columns in np.unique(width[width > 4]).tolist():
        own = np.flatnonzero(width == columns)
        info = stacked([known[i] for i in own.tolist()], columns)
        cross = info.left[:, :4, 4:]
        inverse = np.linalg.pinv(info.left[:, 4:, 4:], rcond=1e-9, hermitian=True)
        by_push = cross @ inverse
        whole.left[own] -= by_push @ cross.transpose(0, 2, 1)
        whole.push[own] -= (by_push @ info.push[:, 4:, None])[:, :, 0]
    return whole


def _cut(info: Information) -> Information:
    """Return what is known of a step, with all else known."""
    return Information(info.seen[:4, :4], info.left[:4, :4], info.push[:4])


def _columns(adjustment: Adjustment, comparison: Comparison, pivot: FloatArray) -> Bias:
    """Return the step of the first setup, then a shift common to both at each known mark."""
    point, place = adjustment.connections.point, adjustment.rows.by_place
    first, both = len(comparison.first), np.array(comparison.first + comparison.second)
    arm = adjustment.position[point[both[:first]], :2] - pivot
    motion = np.zeros((first, 3, 4))
    motion[:, [0, 1, 2], [0, 1, 2]] = 1.0
    motion[:, 0, TURN], motion[:, 1, TURN] = -arm[:, 1], arm[:, 0]
    values = np.zeros((len(both), 3, comparison.columns))
    values[:first, :, :4] = place[both[:first]] @ motion
    for number, mark in enumerate(comparison.known):
        own = point[both] == mark
        values[own, :, 4 + 3 * number : 7 + 3 * number] = place[both[own]]
    return Bias(both, values)
