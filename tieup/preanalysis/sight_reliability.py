"""What mistake in one sight would be caught, and how far one that is not could move its mark.

Of the mean of a sight: what is common to all its pointings, such as a wrong pole height, a
wrong mark or a wrong prism. With Q the covariance in the frame, a the whitened row of one
observation and b its smallest mistake that is caught, the mark moves by Q_mark a' b / sd.

References: Baarda (1968), internal and external reliability.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import LEAST_REDUNDANCY
from tieup.adjust.observation_equations import Connections, linearise
from tieup.adjust.pointings import sight_results
from tieup.adjust.solution import Adjustment
from tieup.adjust.weights import connection_noise
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, Sights
from tieup.model.settings import Precision


@dataclass(frozen=True)
class SightReliability:
    """Reliability of k sights; NaN where not measured, not solved or not checked.

    ``sd``, ``redundancy``, ``bias`` (k, 3): rad, rad, m; ``bias`` is the smallest mistake that is
    found 8 times in 10. ``at_mark`` (k, 3) is that mistake in m at the mark. ``moves`` (k, 2):
    how far (m) the worst of them would move the mark in plan and in height.
    """

    sd: FloatArray
    redundancy: FloatArray
    bias: FloatArray
    at_mark: FloatArray
    moves: FloatArray


def examine_sights(adjustment: Adjustment, sights: Sights, margin: FloatArray) -> SightReliability:
    """Return the reliability of every sight of a solution.

    ``margin`` (k, 3): what is noticed 8 times in 10, in sds of each reading.
    """
    found = sight_results(adjustment, sights)
    with np.errstate(divide="ignore"):
        seen = found.information * found.sd**2 > LEAST_REDUNDANCY
        bias = margin / np.sqrt(np.where(seen, found.information, np.nan))
    offset = adjustment.position[sights.point] - adjustment.axis[sights.setup]
    offset[:, 2] += sights.target_height
    plan, slope = np.hypot(offset[:, 0], offset[:, 1]), np.linalg.norm(offset, axis=1)
    level = np.isnan(slope) & np.isfinite(plan)
    slope[level] = plan[level]
    moves = np.full((len(sights), 2), np.nan)
    inside = np.flatnonzero(found.connection >= 0)
    row = found.connection[inside]
    with np.errstate(invalid="ignore"):
        moved = _effects(adjustment, row, bias[inside])
        sideways = np.hypot(moved[:, 0], moved[:, 1])
    for column, size in enumerate((sideways, np.abs(moved[:, 2]))):
        seen = np.isfinite(size).any(axis=1)
        moves[inside[seen], column] = np.nanmax(size[seen], axis=1)
    at_mark = bias * np.column_stack([plan, slope, np.ones(len(plan))])
    return SightReliability(found.sd, found.redundancy, bias, at_mark, moves)


def full_rows(
    connections: Connections,
    sights: Sights,
    precision: Precision,
    places: tuple[FloatArray, FloatArray, FloatArray],
    bend: float,
) -> FloatArray:
    """Return the whitened rows (c, 3, 7) of connections by their setup and their mark.

    Rows that are not measured are 0. No column is held: what is fixed has a covariance of 0.
    ``places`` are axis (S, 3) and orientation (S,) of the setups, position (P, 3) of the marks. The
    turn of a basis of bearings counts as known here.
    """
    axis, _, position = places
    known = replace(connections, basis=np.full(len(connections), -1))
    linear = linearise(known, *places, bend)
    noise = connection_noise(connections, sights, precision, axis, position)
    rows = np.zeros((len(connections), 3, 7))
    rows[:, :, 4:] = noise.whitened(linear.by_mark)
    rows[:, :, :3] = -rows[:, :, 4:]
    rows[:, DIRECTION, 3] = -linear.turns * noise.scale[:, DIRECTION]
    return rows


def further_rows(
    adjustment: Adjustment, sights: Sights, precision: Precision, bend: float
) -> FloatArray:
    """Return the whitened rows (k, 3, 7) of ``sights`` (k,) that a solution does not have yet."""
    connections = Connections(
        sights.setup,
        sights.point,
        sights.value,
        sights.target_height,
        np.zeros(len(sights), dtype=np.bool_),
        np.arange(len(sights)),
        sights.level,
        sights.azimuth,
    )
    return full_rows(connections, sights, precision, places_at(adjustment), bend)


def places_at(adjustment: Adjustment) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return axis (S, 3) and orientation (S,) of the setups, position (P, 3) of the marks."""
    return adjustment.axis, adjustment.orientation, adjustment.position


def _effects(adjustment: Adjustment, chosen: IntArray, bias: FloatArray) -> FloatArray:
    """Return what ``bias`` (k, 3) of each reading moves its mark by (k, 3, 3) in m.

    Q_mark a' T b for each reading of the ``chosen`` connections (k,), readings along the last axis.
    """
    connections, place = adjustment.connections, adjustment.rows.by_place[chosen]
    cross, transfer = adjustment.mark_setup[chosen], adjustment.transfer
    setup, point = connections.setup[chosen], connections.point[chosen]
    if transfer.motions.count:
        moved = transfer.motions.point[point] @ transfer.setup[setup].transpose(0, 2, 1)
        moved += transfer.point[point] @ transfer.motions.setup[setup].transpose(0, 2, 1)
        cross = cross - moved
    by_setup = np.concatenate([-place, np.zeros((len(place), 3, 1))], axis=2)
    noise = adjustment.noise.of(chosen)
    turn = np.where(connections.turning[chosen], noise.scale[:, DIRECTION], 0.0)
    by_setup[:, DIRECTION, 3] = -turn
    own = np.nan_to_num(adjustment.point_covariance[point])
    gain = cross @ by_setup.transpose(0, 2, 1) + own @ place.transpose(0, 2, 1)
    based = np.flatnonzero(connections.basis[chosen] >= 0)
    with_turn = adjustment.with_turns.mark[point[based], :, connections.basis[chosen[based]]]
    gain[based, :, DIRECTION] -= with_turn * noise.scale[based, DIRECTION, None]
    one = noise.whitened(np.nan_to_num(bias)[:, :, None] * np.eye(3))
    return np.where(np.isfinite(bias)[:, None, :], gain @ one, np.nan)
