"""Collimation, vertical index and circle turns of every instrument, taken off its readings.

Takes readings brought to face 1, gives them corrected, with what the estimates cost: the
leverage that they take of deviations, and the sd that the mean of a sight owes to them.

A sight pointed in both faces is always corrected: in a balanced mean the correction cancels.
One pointed in a single face is corrected only where the axis error is significant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.model.observations import DIRECTION, ZENITH
from tieup.reduce.circle import CircleTurn
from tieup.reduce.deviations import Common, Readings, estimate_common, owed_sd
from tieup.reduce.faces import AxisError, face_sign
from tieup.reduce.groups import group_mean

LEVEL = 0.5 * np.pi  # zenith of a direction that has none
NO_TURNS: IntArray = np.zeros(0, dtype=np.int64)
LABELS = {DIRECTION: "collimation", ZENITH: "vertical-index"}


@dataclass(frozen=True)
class RowPlaces:
    """Where the rows belong, shape (m,): ``setup``, ``round``, ``sight`` (or -1), ``face``.

    ``look`` numbers the marks looked at, of which a sight is one visit. ``instrument`` holds names,
    ``sd`` (m, 3) how far one pointing may lie from the others of its look.
    """

    setup: IntArray
    round: IntArray
    sight: IntArray
    look: IntArray
    face: IntArray
    instrument: TextArray
    sd: FloatArray


@dataclass(frozen=True)
class Corrected:
    """What came of it: ``value``, ``leverage`` (m, 3), ``common_sd`` (k, 3) of the sights."""

    value: FloatArray
    leverage: FloatArray
    common_sd: FloatArray
    axis_errors: tuple[AxisError, ...]
    turns: tuple[CircleTurn, ...]


def correct_axes(value: FloatArray, rows: RowPlaces, turns: tuple[CircleTurn, ...]) -> Corrected:
    """Take axis errors and circle turns off ``value`` (m, 3; rad, rad, m).

    ``turns`` were taken off already, roughly; what is found to be left of them goes too.
    """
    value = value.copy()
    sights = int(rows.sight.max(initial=-1)) + 1
    leverage, common_sd = np.zeros_like(value), np.zeros((sights, 3))
    errors: list[AxisError] = []
    turned, offset = _turned_rows(rows, turns), np.array([turn.offset for turn in turns])
    for name in sorted(set(rows.instrument)):
        for kind in (DIRECTION, ZENITH):
            own = (rows.instrument == name) & (rows.sight >= 0) & np.isfinite(value[:, kind])
            taking = np.flatnonzero(own)
            chosen = np.unique(turned[taking]) if kind == DIRECTION else NO_TURNS
            chosen = chosen[chosen >= 0]
            if len(np.unique(rows.face[taking])) < 2 and not len(chosen):
                continue
            readings = _readings(value, rows, taking, kind, turned, chosen)
            found = estimate_common(readings, len(chosen))
            error = AxisError(LABELS[kind], name, found.axis, found.variance**0.5, found.sights)
            errors += [error] if found.sights else []
            value[taking, kind] -= _shift(readings, rows.face[taking], found, error)
            offset[chosen] += found.turn
            leverage[taking, kind] = found.leverage
            owing = replace(readings, sight=rows.sight[taking])
            common_sd[rows.sight[taking], kind] = owed_sd(owing, found)
    better = tuple(replace(turn, offset=float(o)) for turn, o in zip(turns, offset, strict=True))
    return Corrected(value, leverage, common_sd, tuple(errors), better)


def _turned_rows(rows: RowPlaces, turns: tuple[CircleTurn, ...]) -> IntArray:
    """Return the number of the turn that each row is in, -1 where its circle was not turned."""
    number = np.full(len(rows.setup), -1, dtype=np.int64)
    for n, turn in enumerate(turns):
        number[(rows.setup == turn.setup) & (rows.round == turn.round)] = n
    return number


def _readings(
    value: FloatArray,
    rows: RowPlaces,
    taking: IntArray,
    kind: int,
    turned: IntArray,
    chosen: IntArray,
) -> Readings:
    """Return one kind of reading of one instrument, its turns numbered as in ``chosen``."""
    number = np.full(len(taking), -1, dtype=np.int64)
    if len(chosen):
        inside = turned[taking] >= 0
        number[inside] = np.searchsorted(chosen, turned[taking][inside])
    sign = face_sign(rows.face[taking])
    zenith, look = value[taking, ZENITH], np.unique(rows.look[taking], return_inverse=True)[1]
    steep = np.sin(np.where(np.isfinite(zenith), zenith, LEVEL))
    steep = group_mean(steep, look)  # alike in one look: noise must not look like two faces
    return Readings(
        value=value[taking, kind],
        by_axis=-sign / steep if kind == DIRECTION else sign,
        turned=number,
        setup=rows.setup[taking],
        sight=look.reshape(-1),
        sd=rows.sd[taking, kind],
        circular=kind == DIRECTION,
    )


def _shift(readings: Readings, face: IntArray, found: Common, error: AxisError) -> FloatArray:
    """Return what to take off each reading (r,) in rad."""
    first = np.isin(readings.sight, readings.sight[face == 1])
    second = np.isin(readings.sight, readings.sight[face == 2])
    apply = ((first & second) | error.significant) & (found.sights > 0)
    turns = np.append(found.turn, 0.0)  # the last one is that of a row without a turn
    return np.asarray(np.where(apply, readings.by_axis * found.axis, 0.0) + turns[readings.turned])
