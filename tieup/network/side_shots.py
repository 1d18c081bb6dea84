"""What follows once the block stands: side shots, and heights to level distances with."""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION
from tieup.network.assembly import Assembly
from tieup.network.heights import HeightState
from tieup.network.horizontal_blocks import HorizontalState


def side_shots(
    assembly: Assembly, plan: HorizontalState, horizontal: FloatArray
) -> HorizontalState:
    """Place every mark not placed yet as a polar point of the setup that sighted it.

    Of repeated sights the middle one counts.
    """
    sights = assembly.sights
    zero = np.where(sights.azimuth, 0.0, plan.orientation[sights.setup])
    turn = zero + sights.value[:, DIRECTION]
    place = plan.axis[sights.setup] + horizontal * np.exp(1j * turn)
    rows = np.flatnonzero(~np.isfinite(plan.position[sights.point]) & np.isfinite(place))
    columns = np.column_stack([place[rows].real, place[rows].imag])
    marks, middle = _middle(sights.point[rows], columns)
    position = plan.position.copy()
    position[marks] = middle[:, 0] + 1j * middle[:, 1]
    return HorizontalState(plan.axis, plan.orientation, position)


def side_heights(
    assembly: Assembly, heights: HeightState, rise: FloatArray, wanted: BoolArray
) -> HeightState:
    """Give the ``wanted`` marks (P,) the height that their setup's sights say."""
    sights = assembly.sights
    zero = heights.zero[sights.setup]
    rows = np.flatnonzero(wanted[sights.point] & np.isfinite(zero + rise))
    marks, middle = _middle(sights.point[rows], (zero + rise)[rows, None])
    position, piece = heights.position.copy(), heights.piece_mark.copy()
    position[marks] = middle[:, 0]
    piece[sights.point[rows]] = heights.piece_unit[sights.setup[rows]]
    return HeightState(heights.zero, position, heights.piece_unit, piece)


def shift_pieces(heights: HeightState, known: int, shift: float) -> HeightState:
    """Put the known piece into the frame and level the others with it.

    A piece without known heights is shifted so that its middle height is that of the
    known piece: distances between the two are then taken as level.
    """
    zero, position = heights.zero.copy(), heights.position.copy()
    there = known >= 0 and bool((heights.piece_unit == known).any())
    reference = shift + _level_of(heights, known) if there else 0.0
    for piece in np.unique(heights.piece_unit[heights.piece_unit >= 0]).tolist():
        gap = shift if piece == known else reference - _level_of(heights, piece)
        position[heights.piece_mark == piece] += gap
        zero[heights.piece_unit == piece] += gap
    return HeightState(zero, position, heights.piece_unit, heights.piece_mark)


def _level_of(heights: HeightState, piece: int) -> float:
    """Return the middle height of a piece's marks, or of its setups where it has none."""
    marks = heights.position[heights.piece_mark == piece]
    return float(np.median(marks if len(marks) else heights.zero[heights.piece_unit == piece]))


def stand_ins(
    assembly: Assembly, plan: HorizontalState, heights: HeightState
) -> tuple[FloatArray, FloatArray]:
    """Return heights of setups (S,) and marks (P,) with the open ones level with their sights.

    NaN only where the plan is not known either and no level line reaches.
    """
    sights, station = assembly.sights, assembly.station
    measured = np.isfinite(heights.position)
    zero, position = heights.zero[: len(station)].copy(), heights.position.copy()
    above = position[sights.point] + sights.target_height
    zero = np.where(np.isfinite(zero), zero, _means(sights.setup, above, len(zero)))
    over = np.flatnonzero((station >= 0) & ~np.isfinite(zero))
    zero[over] = position[station[over]] + assembly.instrument_height[over]
    given = position[np.isfinite(position)]
    middle = float(np.median(given)) if len(given) else 0.0
    zero = np.where(np.isfinite(zero), zero, middle)
    below = zero[sights.setup] - sights.target_height
    below[~np.isfinite(plan.axis[sights.setup])] = np.nan
    position = np.where(np.isfinite(position), position, _means(sights.point, below, len(position)))
    position = np.where(np.isfinite(position), position, middle)
    return (
        np.where(np.isfinite(plan.axis), zero, np.nan),
        np.where(np.isfinite(plan.position) | measured, position, np.nan),
    )


def _means(group: IntArray, value: FloatArray, groups: int) -> FloatArray:
    """Return the mean of the finite values of each group, NaN where there is none."""
    given = np.isfinite(value)
    count = np.bincount(group[given], minlength=groups)
    total = np.bincount(group[given], weights=value[given], minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean: FloatArray = total / count
    return mean


def _middle(group: IntArray, value: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return the different groups and the median of their values, column by column."""
    groups, first, count = np.unique(group, return_index=True, return_counts=True)
    if (count == 1).all():
        return groups, value[first]
    starts = np.concatenate([[0], np.cumsum(count)[:-1]])
    middle = np.empty((len(groups), value.shape[1]))
    for column in range(value.shape[1]):
        ordered = value[np.lexsort((value[:, column], group)), column]
        low, high = ordered[starts + (count - 1) // 2], ordered[starts + count // 2]
        middle[:, column] = 0.5 * (low + high)
    return groups, middle
