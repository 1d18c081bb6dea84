"""Write angles in six notations and lengths in three units, whole columns at a time.

Apart from the package under test on purpose. "field" digits are those an instrument
shows (about 0.1 second, 0.1 mm); "full" digits make rounding negligible.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from tieup.model.arrays import FloatArray

AngleUnit = Literal["deg", "dms", "dms-packed", "gon", "rad", "mil"]
LengthUnit = Literal["m", "ft", "ftUS"]
Digits = Literal["field", "full"]

CIRCLE = {"deg": 360.0, "gon": 400.0, "rad": 2.0 * np.pi, "mil": 6400.0}
ANGLE_DECIMALS = {  # of the unit; of the second for the two sexagesimal notations
    "field": {"deg": 5, "gon": 4, "rad": 7, "mil": 3, "dms": 1, "dms-packed": 1},
    "full": {"deg": 10, "gon": 10, "rad": 13, "mil": 9, "dms": 6, "dms-packed": 6},
}
METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200.0 / 3937.0}  # by definition of each foot
LENGTH_DECIMALS = {"field": 4, "full": 10}
HEIGHT_DECIMALS = {"field": 3, "full": 10}


def angle_texts(angles: FloatArray, unit: AngleUnit, digits: Digits) -> list[str]:
    """Write angles (rad, NaN for none); what rounds up to a full circle becomes 0."""
    decimals = ANGLE_DECIMALS[digits][unit]
    if unit in CIRCLE:
        values = np.round(np.asarray(angles) / (2.0 * np.pi) * CIRCLE[unit], decimals)
        values = np.where(values >= CIRCLE[unit], values - CIRCLE[unit], values)
        return ["" if np.isnan(v) else f"{v:.{decimals}f}" for v in values]
    return [_sexagesimal(a, decimals, packed=unit == "dms-packed") for a in angles.tolist()]


def _sexagesimal(angle: float, decimals: int, *, packed: bool) -> str:
    """Write 123-04-05.6, or 123.04056 when packed."""
    if np.isnan(angle):
        return ""
    scale = 10**decimals
    parts = round(abs(angle) * 648_000.0 / np.pi * scale) % (1_296_000 * scale)
    seconds, fraction = divmod(parts, scale)
    degrees, seconds = divmod(seconds, 3600)
    minutes, seconds = divmod(seconds, 60)
    sign = "-" if angle < 0.0 and parts else ""
    if packed:
        return f"{sign}{degrees}.{minutes:02d}{seconds:02d}{fraction:0{decimals}d}"
    return f"{sign}{degrees}-{minutes:02d}-{seconds:02d}.{fraction:0{decimals}d}"


def length_texts(lengths: FloatArray, unit: LengthUnit, decimals: int) -> list[str]:
    """Write lengths (m, NaN for none) in a unit."""
    values = np.asarray(lengths, dtype=float) / METRES[unit]
    return ["" if np.isnan(v) else f"{v:.{decimals}f}" for v in values]
