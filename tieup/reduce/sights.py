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
from tieup.model.settings import Instrument, Precision
from tieup.reduce import faces
from tieup.reduce.circle import CircleTurn, find_turns
from tieup.reduce.groups import group_sum


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
        Raw rows (rad, m), the setups they index, stated standard deviations.
    use
        Shape (m, 3): which components take part, columns as `KINDS`.

    Returns
    -------
    Reduction, with sights in order of setup, then point, then target height.
    """
    face, conflict = faces.resolve_face(shots.face, shots.zenith)
    conflict &= use.any(axis=1)
    corrected = _normalised(shots, face, use)
    turns = find_turns(shots.setup, shots.point, shots.round, corrected[:, DIRECTION])
    corrected[:, DIRECTION] -= _turn_of_rows(shots, turns)
    sight, first = _number_sights(shots, np.asarray(np.isfinite(corrected).any(axis=1)))
    pointing_sd = _pointing_sd(shots, setups, precision)
    axis_errors, leverage, common_sd = _apply_axis_errors(
        corrected, sight, face, pointing_sd, _instrument_of_rows(shots, setups)
    )
    value, count, deviation = _means(corrected, sight, len(first))
    sights = Sights(
        setup=shots.setup[first],
        point=shots.point[first],
        target_height=shots.target_height[first],
        value=value,
        count=count,
        pointing_sd=pointing_sd[first],
        common_sd=_largest(common_sd, sight, len(first)),
    )
    pointings = Pointings(sight, corrected, deviation, leverage)
    return Reduction(sights, pointings, axis_errors, turns, conflict)


def _normalised(shots: Shots, face: IntArray, use: BoolArray) -> FloatArray:
    """Return face-1 readings and constant-corrected distances, (m, 3), NaN where not used."""
    direction, zenith = faces.normalise(shots.direction, shots.zenith, face)
    values = np.column_stack([direction, zenith, shots.distance + shots.prism_constant])
    return np.where(use, values, np.nan)


def _turn_of_rows(shots: Shots, turns: tuple[CircleTurn, ...]) -> FloatArray:
    offset = np.zeros(len(shots))
    for turn in turns:
        offset[(shots.setup == turn.setup) & (shots.round == turn.round)] = turn.offset
    return offset


def _number_sights(shots: Shots, observed: BoolArray) -> tuple[IntArray, IntArray]:
    """Number the sights of the observed rows; return (m,) numbers or -1, and first rows."""
    rows = np.flatnonzero(observed)
    height = np.round(shots.target_height[rows] * 1e5).astype(np.int64)
    target = np.unique(shots.target[rows].astype(str), return_inverse=True)[1]
    order = np.lexsort((rows, target, height, shots.point[rows], shots.setup[rows]))
    keys = np.column_stack([shots.setup[rows], shots.point[rows], height, target])[order]
    new = np.ones(len(rows), dtype=bool)
    new[1:] = (keys[1:] != keys[:-1]).any(axis=1)
    sight = np.full(len(shots), -1, dtype=np.int64)
    sight[rows[order]] = np.cumsum(new) - 1
    return sight, rows[order][new]


def _instrument_of_rows(shots: Shots, setups: tuple[Setup, ...]) -> FloatArray:
    """Return the instrument key of each row, an object array of shape (m,)."""
    names = np.array([setup.instrument for setup in setups], dtype=object)
    return names[shots.setup]


def _pointing_sd(shots: Shots, setups: tuple[Setup, ...], precision: Precision) -> FloatArray:
    """Return the sd of one pointing of each row, (m, 3) in rad, rad, m."""
    default = precision.instruments.get("default", Instrument())
    table = np.array(
        [
            (i.direction, i.zenith, i.distance_constant, i.distance_ppm)
            for i in (precision.instruments.get(s.instrument, default) for s in setups)
        ]
    ).reshape(-1, 4)[shots.setup]
    distance = table[:, 2] + table[:, 3] * 1e-6 * np.nan_to_num(shots.distance)
    return np.column_stack([table[:, 0], table[:, 1], distance])


def _apply_axis_errors(
    corrected: FloatArray,
    sight: IntArray,
    face: IntArray,
    pointing_sd: FloatArray,
    instrument: FloatArray,
) -> tuple[tuple[faces.AxisError, ...], FloatArray, FloatArray]:
    """Estimate collimation and index per instrument and correct ``corrected`` in place.

    Sights with both faces are always corrected (the correction cancels in a balanced
    mean); single-face sights only when the error is significant.
    """
    leverage = np.zeros_like(corrected)
    common_sd = np.zeros_like(corrected)
    errors: list[faces.AxisError] = []
    sign = faces.face_sign(face)
    designs = {
        DIRECTION: -sign
        / np.sin(np.where(np.isfinite(corrected[:, ZENITH]), corrected[:, ZENITH], 1.5)),
        ZENITH: sign,
    }
    for name in sorted(set(instrument)):
        for kind, label in ((DIRECTION, "collimation"), (ZENITH, "vertical-index")):
            rows = np.flatnonzero((instrument == name) & np.isfinite(corrected[:, kind]))
            if len(np.unique(face[rows])) < 2:
                continue
            value, sd, pairs, taken = faces.estimate(
                corrected[rows, kind],
                designs[kind][rows],
                sight[rows],
                pointing_sd[rows, kind],
                circular=kind == DIRECTION,
            )
            if pairs == 0:
                continue
            errors.append(faces.AxisError(label, name, value, sd, pairs))
            both = np.isin(sight[rows], sight[rows[_is_paired(designs[kind][rows], sight[rows])]])
            apply = both | errors[-1].significant
            corrected[rows[apply], kind] -= designs[kind][rows[apply]] * value
            leverage[rows, kind] = taken
            common_sd[rows[~both], kind] = sd
    return tuple(errors), leverage, common_sd


def _is_paired(design: FloatArray, sight: IntArray) -> BoolArray:
    """Mark the rows whose sight was pointed in both faces."""
    positive = np.isin(sight, sight[design > 0])
    negative = np.isin(sight, sight[design < 0])
    return positive & negative


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


def _largest(value: FloatArray, sight: IntArray, sights: int) -> FloatArray:
    """Return the largest of ``value`` (m, 3) in each sight, (k, 3)."""
    largest = np.zeros((sights, 3))
    rows = sight >= 0
    np.maximum.at(largest, sight[rows], value[rows])
    return largest
