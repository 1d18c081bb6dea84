"""Collimation, vertical index and circle turns of every instrument, taken off its readings.

Takes readings brought to face 1, gives them corrected, with what the estimates cost: the
leverage that they take of deviations, and the sd that the mean of a sight owes to them.

A sight pointed in both faces is always corrected: in a balanced mean the correction cancels.
One pointed in a single face is corrected only where the axis error is significant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, ZENITH
from tieup.reduce.circle import CircleTurn
from tieup.reduce.deviations import Common, Readings, estimate_common
from tieup.reduce.faces import AxisError, face_sign
from tieup.reduce.groups import group_sum

LEVEL = 0.5 * np.pi  # zenith of a direction that has none
LABELS = {DIRECTION: "collimation", ZENITH: "vertical-index"}


@dataclass(frozen=True)
class Rows:
    """Where the rows belong, shape (m,): ``setup``, ``round``, ``sight`` (or -1), ``face``.

    ``instrument`` holds names, ``pointing_sd`` (m, 3) the sd of one pointing.
    """

    setup: IntArray
    round: IntArray
    sight: IntArray
    face: IntArray
    instrument: FloatArray
    pointing_sd: FloatArray


@dataclass(frozen=True)
class Corrected:
    """What came of it: ``value``, ``leverage`` (m, 3), ``common_sd`` (k, 3) of the sights."""

    value: FloatArray
    leverage: FloatArray
    common_sd: FloatArray
    axis_errors: tuple[AxisError, ...]
    turns: tuple[CircleTurn, ...]


def correct_axes(value: FloatArray, rows: Rows, turns: tuple[CircleTurn, ...]) -> Corrected:
    """Take axis errors and circle turns off ``value`` (m, 3; rad, rad, m).

    ``turns`` were taken off already, roughly; what is found to be left of them goes too.
    """
    value = value.copy()
    sights = int(rows.sight.max(initial=-1)) + 1
    leverage, common_sd = np.zeros_like(value), np.zeros((sights, 3))
    errors: list[AxisError] = []
    turned = _turned_rows(rows, turns)
    refined = np.array([turn.offset for turn in turns])
    for name in sorted(set(rows.instrument)):
        own = rows.instrument == name
        for kind in (DIRECTION, ZENITH):
            taking = np.flatnonzero(own & (rows.sight >= 0) & np.isfinite(value[:, kind]))
            numbers = turned[taking] if kind == DIRECTION else np.full(len(taking), -1)
            chosen = np.unique(numbers[numbers >= 0])
            one_face = len(np.unique(rows.face[taking])) < 2
            if one_face and not len(chosen):
                continue
            readings = _readings(value, rows, taking, kind, np.searchsorted(chosen, numbers))
            found = estimate_common(_with(readings, numbers), len(chosen))
            refined[chosen] += found.turn
            error = AxisError(LABELS[kind], name, found.axis, found.variance**0.5, found.sights)
            if found.sights:
                errors.append(error)
            both = _both_faces(rows, taking)
            apply = (both | error.significant) & (found.sights > 0)
            value[taking, kind] -= _shift(readings, numbers, chosen, found, apply)
            leverage[taking, kind] = found.leverage
            common_sd[:, kind] = np.fmax(
                common_sd[:, kind], _owed(readings, numbers, chosen, found, kind, sights)
            )
    better = tuple(
        CircleTurn(t.setup, t.round, float(offset), t.points)
        for t, offset in zip(turns, refined, strict=True)
    )
    return Corrected(value, leverage, common_sd, tuple(errors), better)
