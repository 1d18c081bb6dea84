"""The ties of a block as linear equations in plan, in metres."""

from __future__ import annotations

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE
from tieup.network.horizontal_blocks import CONTROL_TOLERANCE, HorizontalControl, HorizontalState
from tieup.network.polar_sets import PLAIN, Ties
from tieup.network.relax import TieRows, stack
from tieup.network.rigid import ComplexArray

CENTRING = 0.002  # metres; sd of every sight beside the stated ones
NONE = -1


def plan_misfits(state: HorizontalState, ties: Ties) -> FloatArray:
    """Return misfits over tolerance of direction and distance, shape (r, 2).

    An occupied mark has its misfit in both columns. NaN where not observed or not reached.
    """
    ray = state.position[ties.point] - state.axis[ties.setup]
    length = np.abs(ray)
    turn = wrap_half(np.angle(ray) - ties.direction - ties.turn(state.orientation))
    # a false direction points anywhere: its chord, not its sine, is what it misses by
    across = 2.0 * np.sin(0.5 * np.abs(turn)) * length / (PLAIN + ties.sharp * length)
    along = np.abs(length - ties.horizontal) / ties.along
    across = np.where(ties.sight < 0, along, across)
    return np.column_stack([across, along])


def plan_rows(
    state: HorizontalState,
    ties: Ties,
    anchors: HorizontalControl,
    number_setup: IntArray,
    number_mark: IntArray,
) -> TieRows:
    """Return the equations of all ties and of control.

    ``number_setup`` (S,) and ``number_mark`` (P,) number the unknowns: northing, easting and
    orientation of each setup, northing and easting of each mark.
    """
    sighted = ties.sight >= 0
    return stack(
        [
            _directions(state, ties.take(sighted & np.isfinite(ties.direction))),
            _distances(state, ties.take(sighted & np.isfinite(ties.horizontal))),
            _stations(state, ties.take(~sighted)),
            _control(state, anchors),
        ],
        number_setup,
        number_mark,
    )


def _directions(state: HorizontalState, ties: Ties) -> TieRows:
    """Return misfits across the line of sight."""
    length, unit = _ray(state, ties)
    turn = wrap_half(np.angle(unit) - ties.direction - ties.turn(state.orientation))
    by_mark = np.column_stack([-unit.imag, unit.real])
    sd = np.hypot(CENTRING, ties.sd[:, DIRECTION] * length)
    return TieRows(
        ties.setup,
        ties.point,
        np.column_stack([-by_mark, np.where(ties.azimuth, 0.0, -length)]),
        by_mark,
        turn * length,
        sd,
        PLAIN + ties.sharp * length,
    )


def _distances(state: HorizontalState, ties: Ties) -> TieRows:
    """Return misfits along the line of sight."""
    length, unit = _ray(state, ties)
    by_mark = np.column_stack([unit.real, unit.imag])
    sd = np.hypot(CENTRING, ties.sd[:, DISTANCE])
    return TieRows(
        ties.setup,
        ties.point,
        np.column_stack([-by_mark, np.zeros(len(ties))]),
        by_mark,
        length - ties.horizontal,
        sd,
        ties.along,
    )


def _stations(state: HorizontalState, ties: Ties) -> TieRows:
    """Return misfits of occupied marks, northing and easting."""
    gap = state.position[ties.point] - state.axis[ties.setup]
    by_mark = np.repeat(np.eye(2), len(ties), axis=0)
    by_setup = np.column_stack([-by_mark, np.zeros(2 * len(ties))])
    size = np.ones(2 * len(ties))
    return TieRows(
        np.tile(ties.setup, 2),
        np.tile(ties.point, 2),
        by_setup,
        by_mark,
        np.concatenate([gap.real, gap.imag]),
        CENTRING * size,
        PLAIN * size,
    )


def _control(state: HorizontalState, anchors: HorizontalControl) -> TieRows:
    """Return misfits of control, northing and easting; NaN for marks not reached."""
    gap = state.position[anchors.mark] - anchors.place
    count = len(anchors.mark)
    return TieRows(
        np.full(2 * count, NONE),
        np.tile(anchors.mark, 2),
        np.zeros((2 * count, 3)),
        np.repeat(np.eye(2), count, axis=0),
        np.concatenate([gap.real, gap.imag]),
        np.tile(np.maximum(anchors.sd, CENTRING), 2),
        np.tile(CONTROL_TOLERANCE + PLAIN + 3.0 * anchors.sd, 2),
    )


def _ray(state: HorizontalState, ties: Ties) -> tuple[FloatArray, ComplexArray]:
    """Return length (m) and unit vector from axis to mark."""
    ray = state.position[ties.point] - state.axis[ties.setup]
    length = np.abs(ray)
    return length, ray / np.maximum(length, 1e-9)
