"""Reduced observations: one sight per visit of a setup to a point at one target height.

All pointings of a visit are reduced to one mean, because target centring and target height
are common to them: as separate observations they would claim a precision they do not have.
A later look, for which the target was set up again, is a sight of its own. What the means leave
over, the deviation of each pointing, is kept and tested on its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tieup.model.arrays import (
    BoolArray,
    FloatArray,
    IntArray,
    fill_flags,
    fill_numbers,
    no_flags,
    no_numbers,
)

KINDS = ("direction", "zenith", "distance")
DIRECTION, ZENITH, DISTANCE = range(3)
# What tables call a direction that is an azimuth and a distance that is horizontal.
AZIMUTH, LEVEL_DISTANCE = "azimuth", "horizontal_distance"
# What it calls values that nobody read at a target: occupied setups, and control with an sd.
CENTRING, INSTRUMENT_HEIGHT, CONTROL = BELIEVED = ("centring", "instrument_height", "control")
COMPONENT = {**{kind: n for n, kind in enumerate(KINDS)}, AZIMUTH: 0, LEVEL_DISTANCE: 2}


@dataclass(frozen=True)
class Sights:
    """Means of pointings; arrays of shape (k,) or (k, 3) with columns as in `KINDS`.

    ``value``: mean direction and zenith angle (rad, face 1), mean slope distance (m,
    corrected), NaN where nothing was observed. ``count``: pointings in each mean.
    ``pointing_sd``: sd of one pointing (rad, rad, m), without centring or heights.
    ``common_sd``: sd of what all pointings of the mean share beyond centring (an
    index error taken from other sights), same units. ``level`` (k,): the distance is
    horizontal, and there is no zenith angle. ``azimuth`` (k,): the direction is an observed
    azimuth, so that no orientation of the setup enters. Left empty, no sight is. ``basis`` (k,)
    numbers the basis of bearings of azimuths: all of one have one unknown turn against the grid;
    -1, and left empty, where there is none.
    """

    setup: IntArray
    point: IntArray
    target_height: FloatArray
    value: FloatArray
    count: IntArray
    pointing_sd: FloatArray
    common_sd: FloatArray
    level: BoolArray = field(default_factory=no_flags)
    azimuth: BoolArray = field(default_factory=no_flags)
    basis: IntArray = field(default_factory=no_numbers)

    def __post_init__(self) -> None:
        """Fill in what was left empty."""
        fill_flags(self, len(self.setup), "level", "azimuth")
        fill_numbers(self, len(self.setup), "basis")

    def __len__(self) -> int:
        return len(self.setup)

    def zero(self, orientation: FloatArray, turn: FloatArray) -> FloatArray:
        """Return the azimuth (k,) of zero of each direction.

        ``orientation`` (S,) is that of each setup, ``turn`` (g,) of each basis of bearings.
        """
        true = np.where(self.azimuth, 0.0, orientation[self.setup])
        return np.asarray(np.where(self.basis >= 0, np.append(turn, 0.0)[self.basis], true))

    def turned(self, turn: FloatArray) -> Sights:
        """Return the sights with the ``turn`` (g,) of each basis added; NaN drops its azimuths."""
        value, own = self.value.copy(), np.flatnonzero(self.basis >= 0)
        value[own, DIRECTION] += turn[self.basis[own]]
        return replace(self, value=value)

    @property
    def bases(self) -> int:
        """Return how many bases of bearings there are."""
        return int(self.basis.max(initial=-1)) + 1


@dataclass(frozen=True)
class Pointings:
    """How each raw row entered its sight; arrays of shape (m,) or (m, 3).

    ``sight`` is the index of the row's sight or -1, ``look`` numbers what is looked at: a mark
    from a setup at one height, however often the target was set up for it. ``corrected`` is the
    row's value after reduction (face 1, collimation and index, constants), in the units of
    `Sights.value`; ``deviation`` is ``mean - corrected``. ``leverage`` is the part of the
    deviation's freedom taken by estimates made from deviations (collimation,
    index, circle turns): the deviations of a sight of n pointings have
    ``1 - 1/n - leverage`` as their redundancy numbers.
    """

    sight: IntArray
    look: IntArray
    corrected: FloatArray
    deviation: FloatArray
    leverage: FloatArray
