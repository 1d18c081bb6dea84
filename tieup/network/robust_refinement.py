"""Let the solved block settle in plan, and look again at setups that miss."""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.network.horizontal_blocks import HorizontalControl, HorizontalState
from tieup.network.polar_sets import Ties
from tieup.network.relax import TieRows, relax
from tieup.network.reposition import look_again
from tieup.network.tie_equations import plan_rows

LOOKS = 3


def settle_plan(state: HorizontalState, ties: Ties, anchors: HorizontalControl) -> HorizontalState:
    """Settle by least squares, then look again at what misses, as long as that gains."""
    reached = np.isfinite(state.axis[ties.setup]) & np.isfinite(state.position[ties.point])
    ties = ties.take(reached)
    state = _relaxed(state, ties, anchors)
    for _ in range(LOOKS):
        better = look_again(state, ties, anchors)
        if better is None:
            break
        state = _relaxed(better, ties, anchors)
    return state


def _relaxed(state: HorizontalState, ties: Ties, anchors: HorizontalControl) -> HorizontalState:
    setups, marks = np.unique(ties.setup), np.unique(ties.point)
    number_setup = _numbers(setups, len(state.axis))
    number_mark = _numbers(marks, len(state.position))
    anchors = anchors.take(np.asarray(number_mark[anchors.mark] >= 0))

    def rows_at(now: HorizontalState) -> TieRows:
        return plan_rows(now, ties, anchors, number_setup, number_mark)

    def moved(now: HorizontalState, by_setup: FloatArray, by_mark: FloatArray) -> HorizontalState:
        axis, orientation, position = now.axis.copy(), now.orientation.copy(), now.position.copy()
        axis[setups] += by_setup[:, 0] + 1j * by_setup[:, 1]
        orientation[setups] += by_setup[:, 2]
        position[marks] += by_mark[:, 0] + 1j * by_mark[:, 1]
        return HorizontalState(axis, orientation, position)

    return relax(state, rows_at, moved, len(setups), len(marks))


def _numbers(chosen: IntArray, size: int) -> IntArray:
    numbers = np.full(size, -1, dtype=np.int64)
    numbers[chosen] = np.arange(len(chosen))
    return numbers
