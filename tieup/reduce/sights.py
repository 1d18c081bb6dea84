"""Reduce raw shots to one mean per sight, keeping what each pointing deviates.

Takes the shots and the setups' instruments, gives `Sights`, `Pointings` and what the
two faces say about each instrument. Rows and components masked out take no part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_full, wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Setup, Shots
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Pointings, Sights
from tieup.model.settings import Precision
from tieup.reduce import faces
from tieup.reduce.axes import Corrected, RowPlaces, correct_axes
from tieup.reduce.circle import CircleTurn, find_turns
from tieup.reduce.distances import correct_distances, instrument_of
from tieup.reduce.grid import sights_on_grid, site_factor
from tieup.reduce.groups import group_sum
from tieup.reduce.target_visits import number_looks, number_visits

USUAL = 30.0  # m; a sight without a distance. Common practice on a building site, no source


@dataclass(frozen=True)
class Reduction:
    """Reduced observations and what the reduction found.

    ``face_conflict`` (m,) marks rows whose booked face contradicts their zenith angle.
    """

    sights: Sights
    pointings: Pointings
    axis_errors: tuple[faces.AxisError, ...]
    turns: tuple[CircleTurn, ...]
    face_conflict: BoolArray


def reduce_shots(
    shots: Shots, setups: tuple[Setup, ...], precision: Precision, use: BoolArray
) -> Reduction:
    """Reduce shots to sights.

    Parameters
    ----------
    shots, setups, precision
        Raw rows (rad, m), the setups they index, what is stated about the gear.
    use
        Shape (m, 3): which components take part, columns as `KINDS`.

    Returns
    -------
    Reduction, with sights in order of setup, point, target height, target, visit. Where the job
    states a grid, their means are already on it, by the factor at the middle of the site.
    """
    face, conflict = faces.resolve_face(shots.face, shots.zenith)
    conflict &= use.any(axis=1)
    value = _normalised(shots, setups, precision, face, use)
    read = np.where(shots.azimuth, np.nan, value[:, DIRECTION])
    turns = find_turns(shots.setup, shots.point, shots.round, read)
    value[:, DIRECTION] -= np.where(shots.azimuth, 0.0, _turn_of_rows(shots, turns))
    look = number_looks(shots)
    visit = number_visits(shots, look, precision.standing)
    sight, first = _number_sights(visit, np.asarray(np.isfinite(value).any(axis=1)))
    pointing_sd = _pointing_sd(shots, setups, precision, sight)
    names = np.array([setup.instrument for setup in setups], dtype=object)[shots.setup]
    look_sd = np.hypot(pointing_sd, _again(value, look, sight, precision))
    rows = RowPlaces(shots.setup, shots.round, sight, look, face, names, look_sd)
    found = _corrected(value, rows, turns, shots.azimuth)
    mean, count, deviation = _means(found.value, sight, len(first))
    sights = Sights(
        setup=shots.setup[first],
        point=shots.point[first],
        target_height=shots.target_height[first],
        value=mean,
        count=count,
        pointing_sd=pointing_sd[first],
        common_sd=found.common_sd,
        level=shots.level[first],
        azimuth=shots.azimuth[first],
        basis=shots.basis[first],
    )
    if precision.grid is not None:
        sights = sights_on_grid(sights, site_factor(precision.grid))
    pointings = Pointings(sight, look, found.value, deviation, found.leverage)
    return Reduction(sights, pointings, found.axis_errors, found.turns, conflict)


def _corrected(
    value: FloatArray, rows: RowPlaces, turns: tuple[CircleTurn, ...], azimuth: BoolArray
) -> Corrected:
    """Take axis errors and turns off what is read on the circles; azimuths stay as they are."""
    read = value.copy()
    read[azimuth, DIRECTION] = np.nan
    found = correct_axes(read, rows, turns)
    found.value[azimuth, DIRECTION] = value[azimuth, DIRECTION]
    return found


def _normalised(
    shots: Shots,
    setups: tuple[Setup, ...],
    precision: Precision,
    face: IntArray,
    use: BoolArray,
) -> FloatArray:
    """Return face-1 readings and corrected distances, (m, 3), NaN where not used."""
    direction, zenith = faces.normalise(shots.direction, shots.zenith, face)
    # an azimuth is turned over with its zenith angle, not by what was booked as its face
    as_read = shots.azimuth & ~(shots.zenith > np.pi)
    direction = np.where(as_read, shots.direction, direction)
    distance = correct_distances(shots, setups, precision)
    values = np.column_stack([direction, zenith, distance])
    return np.where(use, values, np.nan)


def _turn_of_rows(shots: Shots, turns: tuple[CircleTurn, ...]) -> FloatArray:
    offset = np.zeros(len(shots))
    for turn in turns:
        offset[(shots.setup == turn.setup) & (shots.round == turn.round)] = turn.offset
    return offset


def _number_sights(visit: IntArray, observed: BoolArray) -> tuple[IntArray, IntArray]:
    """Number the sights of the observed rows; return (m,) numbers or -1, and first rows."""
    rows = np.flatnonzero(observed)
    _, first, number = np.unique(visit[rows], return_index=True, return_inverse=True)
    sight = np.full(len(visit), -1, dtype=np.int64)
    sight[rows] = number.reshape(-1)
    return sight, rows[first]


def _pointing_sd(
    shots: Shots, setups: tuple[Setup, ...], precision: Precision, sight: IntArray
) -> FloatArray:
    """Return the sd of one pointing of each row, (m, 3) in rad, rad, m."""
    table = np.array(
        [
            (i.direction, i.zenith, i.distance_constant, i.distance_ppm)
            for i in instrument_of(setups, precision)
        ]
    ).reshape(-1, 4)[shots.setup]
    distance = table[:, 2] + table[:, 3] * 1e-6 * _mean_distance(shots, sight)
    return np.column_stack([table[:, 0], table[:, 1], distance])


def _again(value: FloatArray, look: IntArray, sight: IntArray, precision: Precision) -> FloatArray:
    """Return the sd (m, 3) that setting the target up again adds to a look of several visits.

    What the looks at one mark differ by says something of the axes of the instrument only as far
    as the target stood in one place.
    """
    added = np.zeros(value.shape)
    taken = np.flatnonzero(sight >= 0)
    looked = np.zeros(int(sight.max(initial=-1)) + 1, dtype=np.int64)
    looked[sight[taken]] = look[taken]  # a sight is of one look
    several = np.bincount(looked, minlength=int(look.max(initial=0)) + 1) > 1
    rows = taken[several[look[taken]]]
    slope, zenith = value[rows, DISTANCE], value[rows, ZENITH]
    plan = np.fmax(slope * np.where(np.isfinite(zenith), np.sin(zenith), 1.0), 1.0)
    plan = np.where(np.isfinite(plan), plan, USUAL)
    added[rows, DIRECTION] = precision.centring_target / plan
    added[rows, ZENITH] = precision.height_target / plan
    added[rows, DISTANCE] = precision.centring_target
    return added


def _mean_distance(shots: Shots, sight: IntArray) -> FloatArray:
    """Return the mean distance of each row's sight (m,), 0 where none was measured.

    One for all pointings of a sight, so that no order of rows matters.
    """
    measured = (sight >= 0) & np.isfinite(shots.distance)
    sights = int(sight.max(initial=-1)) + 1
    count = np.bincount(sight[measured], minlength=sights)
    total = np.bincount(sight[measured], weights=shots.distance[measured], minlength=sights)
    mean = np.append(total / np.maximum(count, 1), 0.0)
    return np.asarray(mean[sight])


def _means(
    corrected: FloatArray, sight: IntArray, sights: int
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Return means (k, 3), counts (k, 3) and deviations mean - row (m, 3)."""
    value = np.full((sights, 3), np.nan)
    count = np.zeros((sights, 3), dtype=np.int64)
    deviation = np.full(corrected.shape, np.nan)
    for kind in (DIRECTION, ZENITH, DISTANCE):
        rows = np.flatnonzero((sight >= 0) & np.isfinite(corrected[:, kind]))
        reference = np.zeros(sights)
        reference[sight[rows][::-1]] = corrected[rows[::-1], kind]
        offset = corrected[rows, kind] - reference[sight[rows]]
        if kind == DIRECTION:
            offset = wrap_half(offset)
        count[:, kind] = np.bincount(sight[rows], minlength=sights)
        observed = count[:, kind] > 0
        mean = group_sum(offset, sight[rows], sights)[observed] / count[observed, kind]
        value[observed, kind] = reference[observed] + mean
        deviation[rows, kind] = value[sight[rows], kind] - (reference[sight[rows]] + offset)
    value[:, DIRECTION] = np.where(
        count[:, DIRECTION] > 0, wrap_full(np.nan_to_num(value[:, DIRECTION])), np.nan
    )
    return value, count, deviation
