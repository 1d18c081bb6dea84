"""A setup against itself: opening and closing shots, drift in time, spread of the two faces.

A circle that was knocked, legs that settled, a prism that was swapped: all show as a change
between the first and the last look at one mark. A setup without a second look has not been
checked, however well it fits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.settings import Precision
from tieup.reduce.visits import Visits


@dataclass(frozen=True)
class Closings:
    """First against last look at a mark, k of them, ordered by setup; closing minus opening.

    ``change`` (k, 3): direction (rad), distance (m), height (m) with their ``sd`` (k, 3): pointing
    and the target set up twice. ``distance`` (k,) to the mark, ``lapse`` (k,) seconds between.
    ``between`` (k,): other visits in between. ``backsight`` (k,) says that the mark was booked
    as the backsight; where a setup books none, its first mark counts as it.
    """

    setup: IntArray
    point: IntArray
    change: FloatArray
    sd: FloatArray
    distance: FloatArray
    lapse: FloatArray
    between: IntArray
    backsight: BoolArray

    def __len__(self) -> int:
        return len(self.setup)


@dataclass(frozen=True)
class Drift:
    """Steady change of a setup's directions and heights with time, one value per setup (S,).

    ``turn`` (rad/s) with ``turn_sd``; ``rise`` (m/s) with ``rise_sd``; NaN where no mark was seen
    twice at known times. ``looks`` (S,): visits to marks that were seen again, ``span`` (S,): s
    between the first of them and the last.
    """

    looks: IntArray
    span: FloatArray
    turn: FloatArray
    turn_sd: FloatArray
    rise: FloatArray
    rise_sd: FloatArray


def closings(visits: Visits, role: TextArray, precision: Precision) -> Closings:
    """Compare the first and the last visit of every mark that a setup came back to.

    ``role`` (m,) is that of the raw rows.
    """
    key = np.column_stack([visits.setup, visits.point])
    pairs, first, count = np.unique(key, axis=0, return_index=True, return_counts=True)
    last = len(visits) - 1 - np.unique(key[::-1], axis=0, return_index=True)[1]
    back = np.flatnonzero((count > 1) & (last - first > 1))
    a, b = first[back], last[back]
    distance = np.fmax(visits.distance[a], visits.distance[b])
    change = np.column_stack(
        [
            wrap_half(visits.direction[b] - visits.direction[a]),
            visits.distance[b] - visits.distance[a],
            visits.rise[b] - visits.rise[a],
        ]
    )
    pointing = np.hypot(visits.sd[a], visits.sd[b])
    twice = np.sqrt(2.0) * np.array([precision.centring_target, precision.height_target])
    sd = np.column_stack(
        [
            np.hypot(pointing[:, 0], twice[0] / distance),
            np.hypot(pointing[:, 2], twice[0]),
            np.hypot(pointing[:, 1] * distance, twice[1]),
        ]
    )
    return Closings(
        pairs[back, 0],
        pairs[back, 1],
        change,
        sd,
        distance,
        visits.time[b] - visits.time[a],
        b - a - 1,
        _is_backsight(visits, role)[a],
    )


def _is_backsight(visits: Visits, role: TextArray) -> BoolArray:
    """Mark the visits of the backsight of each setup: as booked, else its first mark."""
    booked = role[visits.first_row] == "backsight"
    opening = np.ones(len(visits), dtype=bool)
    opening[1:] = visits.setup[1:] != visits.setup[:-1]
    unbooked = ~np.isin(visits.setup, visits.setup[booked])
    start = booked | (opening & unbooked)
    keys = visits.setup * (visits.point.max(initial=0) + 1) + visits.point
    return np.asarray(np.isin(keys, keys[start]))


def drift(visits: Visits, setups: int, precision: Precision) -> Drift:
    """Fit a steady turn and rise to everything each setup looked at more than once."""
    turn_sd = np.hypot(visits.sd[:, 0], precision.centring_target / visits.distance)
    rise_sd = np.hypot(visits.sd[:, 1] * visits.distance, precision.height_target)
    turn = _slope(visits, visits.direction, turn_sd, setups, circular=True)
    rise = _slope(visits, visits.rise, rise_sd, setups, circular=False)
    return Drift(*_looks(visits, setups), *turn, *rise)


def _looks(visits: Visits, setups: int) -> tuple[IntArray, FloatArray]:
    """Return how often each setup looked at marks that it saw again, and over what time."""
    keys = visits.setup * (visits.point.max(initial=0) + 1) + visits.point
    _, group, count = np.unique(keys, return_inverse=True, return_counts=True)
    again = np.flatnonzero((count > 1)[group.reshape(-1)] & np.isfinite(visits.time))
    setup, time = visits.setup[again], visits.time[again]
    first, last = np.full(setups, np.inf), np.full(setups, -np.inf)
    np.minimum.at(first, setup, time)
    np.maximum.at(last, setup, time)
    span = np.where(np.isfinite(first), last - np.where(np.isfinite(first), first, 0.0), np.nan)
    return np.bincount(setup, minlength=setups), span


def _slope(
    visits: Visits, value: FloatArray, sd: FloatArray, setups: int, circular: bool
) -> tuple[FloatArray, FloatArray]:
    """Return slopes per second (S,) and sds: values against time about each mark's own mean."""
    known = np.isfinite(value) & np.isfinite(sd) & np.isfinite(visits.time)
    setup, time = visits.setup[known], visits.time[known]
    keys = setup * (visits.point.max(initial=0) + 1) + visits.point[known]
    _, first, group = np.unique(keys, return_index=True, return_inverse=True)
    y, weight = value[known], sd[known] ** -2.0
    if circular:
        start = y[first][group]
        y = start + wrap_half(y - start)
    y, x = _about_mean(y, weight, group), _about_mean(time, weight, group)
    normal = np.bincount(setup, weights=weight * x**2, minlength=setups)
    right = np.bincount(setup, weights=weight * x * y, minlength=setups)
    some = normal > 0
    slope, spread = np.full(setups, np.nan), np.full(setups, np.nan)
    slope[some], spread[some] = right[some] / normal[some], normal[some] ** -0.5
    return slope, spread


def _about_mean(value: FloatArray, weight: FloatArray, group: IntArray) -> FloatArray:
    total = np.bincount(group, weights=weight)
    return np.asarray(value - (np.bincount(group, weights=weight * value) / total)[group])
