"""The last step before a table: from SI to the job's own units."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.geometry import ARC_SECOND
from tieup.model.arrays import FloatArray
from tieup.units import angle_factor, format_angles

SEXAGESIMAL = ("dms", "dms-packed")


def in_angle_unit(angle: FloatArray, unit: str) -> NDArray[Any]:
    """Return angles (rad) as numbers in the unit, as text where the unit is a notation."""
    if unit in SEXAGESIMAL:
        return np.array(format_angles(angle, unit), dtype=object)
    return angle / angle_factor(unit)


def length_cells(values: FloatArray, unit: str) -> NDArray[Any]:
    """Return lengths as a column of readings holds them: text where angles are a notation."""
    if unit not in SEXAGESIMAL:
        return values
    near = np.round(values, 4) + 0.0  # never -0.0
    return np.array(["" if v != v else f"{v:.4f}" for v in near.tolist()], dtype=object)


def small_unit(kinds: int) -> FloatArray:
    """Return the divisors (3,) that bring rad, rad, m to arc seconds, arc seconds, mm."""
    return np.array([ARC_SECOND, ARC_SECOND, 1e-3])[:kinds]
