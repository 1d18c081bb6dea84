"""Correct measured distances for what the job states about its instruments and prisms.

    d = d_measured x scale x velocity factor + prism constant

Nothing is corrected that is not stated. The constant of a row is the row's own, else that of
its kind of target, else the instrument's.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Setup, Shots
from tieup.model.settings import Instrument, Precision
from tieup.reduce.air import refractivity, vapour_pressure, velocity_factor


def instrument_of(setups: tuple[Setup, ...], precision: Precision) -> tuple[Instrument, ...]:
    """Return the settings of the instrument of each setup; unnamed ones are the default's."""
    default = precision.instruments.get("default", Instrument())
    return tuple(precision.instruments.get(setup.instrument, default) for setup in setups)


def prism_constants(shots: Shots, setups: tuple[Setup, ...], precision: Precision) -> FloatArray:
    """Return the additive constant (m,) in m: the row's, its target's or the instrument's."""
    constant = shots.prism_constant.copy()
    open_rows = np.isnan(constant)
    for instrument, rows in _by_instrument(shots.setup, setups, precision):
        own = rows[open_rows[rows]]
        constant[own] = instrument.prism_constant
        for target, value in instrument.target_constants.items():
            constant[own[shots.target[own] == target]] = value
    return constant


def correct_distances(shots: Shots, setups: tuple[Setup, ...], precision: Precision) -> FloatArray:
    """Return slope distances (m,) in m, corrected; NaN where none was measured."""
    constant = prism_constants(shots, setups, precision)
    factor = np.ones(len(shots))
    for instrument, rows in _by_instrument(shots.setup, setups, precision):
        factor[rows] *= instrument.scale * np.nan_to_num(
            _velocity(shots, rows, instrument, precision), nan=1.0
        )
    return np.asarray(shots.distance * factor + constant)


def without_weather(shots: Shots, setups: tuple[Setup, ...], precision: Precision) -> BoolArray:
    """Mark the distances (m,) whose instrument states a reference and whose air nobody knows."""
    missing = np.zeros(len(shots), dtype=np.bool_)
    for instrument, rows in _by_instrument(shots.setup, setups, precision):
        missing[rows] = np.isnan(_velocity(shots, rows, instrument, precision))
    return np.asarray(missing & np.isfinite(shots.distance))


def _by_instrument(
    setup: IntArray, setups: tuple[Setup, ...], precision: Precision
) -> list[tuple[Instrument, IntArray]]:
    """Return each instrument with its rows; all rows at once where there is one instrument."""
    names = np.array([one.instrument for one in setups], dtype=object)
    kinds, number = np.unique(names.astype(str), return_inverse=True)
    if len(kinds) == 1:
        return [(instrument_of(setups[:1], precision)[0], np.arange(len(setup)))]
    of_setup = instrument_of(setups, precision)
    first = {int(kind): of_setup[s] for s, kind in reversed(list(enumerate(number.tolist())))}
    return [(first[k], np.flatnonzero(number[setup] == k)) for k in range(len(kinds))]


def _velocity(
    shots: Shots, rows: IntArray, instrument: Instrument, precision: Precision
) -> FloatArray:
    """Return the velocity factors of ``rows``: 1 without a reference, NaN without weather."""
    light, air = instrument.light, precision.air
    if light is None:
        return np.ones(len(rows))
    temperature = np.where(
        np.isnan(shots.temperature[rows]), air.temperature, shots.temperature[rows]
    )
    pressure = np.where(np.isnan(shots.pressure[rows]), air.pressure, shots.pressure[rows])
    vapour = vapour_pressure(temperature, air.humidity, pressure)
    met = refractivity(light.carrier, temperature, pressure, vapour)
    return velocity_factor(light.refractivity, met)
