"""What the solution expects of a reading that it did not use."""

from __future__ import annotations

import numpy as np

from tieup.adjust.observation_equations import Connections, linearise
from tieup.adjust.solution import Adjustment
from tieup.geometry import curvature_coefficient, polar_offset, wrap_half
from tieup.model.arrays import FloatArray
from tieup.model.observations import DIRECTION, Sights


def predicted(sights: Sights, adjustment: Adjustment, refraction: float) -> FloatArray:
    """Return expected direction, zenith, distance of every sight (k, 3); NaN where unsolved."""
    count = len(sights)
    connections = Connections(
        sights.setup,
        sights.point,
        np.zeros((count, 3)),
        sights.target_height,
        np.zeros(count, dtype=bool),
        np.arange(count),
        sights.level,
        sights.azimuth,
        sights.basis,
    )
    linear = linearise(
        connections,
        adjustment.axis,
        adjustment.orientation,
        adjustment.position,
        curvature_coefficient(refraction),
        adjustment.turn,
    )
    return -linear.misclosure


def misfit(sights: Sights, adjustment: Adjustment, refraction: float) -> FloatArray:
    """Return observed minus expected (k, 3) in rad, rad, m; NaN where either is missing."""
    difference = sights.value - predicted(sights, adjustment, refraction)
    difference[:, DIRECTION] = wrap_half(difference[:, DIRECTION])
    return difference


def sighted_place(sights: Sights, adjustment: Adjustment, refraction: float) -> FloatArray:
    """Return where each sight puts its target's mark (k, 3) in m, from its setup alone."""
    offset = polar_offset(
        sights.value[:, 0] + sights.zero(adjustment.orientation, adjustment.turn),
        np.where(sights.level, 0.5 * np.pi, sights.value[:, 1]),
        sights.value[:, 2],
        curvature_coefficient(refraction),
    )
    place = adjustment.axis[sights.setup] + offset
    place[:, 2] -= sights.target_height
    return place
