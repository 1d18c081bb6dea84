"""Judge angle columns: what a circle can read, and whether a column is in another unit.

Only what no field procedure could produce is refused here; an angle that is possible and
still wrong (one setup in packed degrees, say) is for the adjustment to find.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.geometry import TWO_PI, wrap_full, wrap_half
from tieup.model.arrays import BoolArray, FloatArray
from tieup.units import ANGLE_UNITS, FULL_CIRCLE, Parsed, parse_angles

_QUARTER = TWO_PI / 4.0
# A full circle rounded to few decimals of a radian reads more than 2 pi (6.28319).
_SLACK = {"rad": 1e-5}
_ROUNDING = 1e-9
_FEW = 3  # so many strange values may be slips; from there on they can be a pattern
_STEEP = np.sin(TWO_PI / 32.0)  # zenith angles within 11 degrees of the plumb line
_LEVEL = np.sin(TWO_PI / 8.0)


def read_angles(
    column: str, texts: Sequence[str], unit: str, face_two: BoolArray, turning: bool = False
) -> Parsed:
    """Turn cells into circle readings or zenith angles (rad, [0, 2 pi)), refusing the impossible.

    Directions and zenith angles lie in the full circle, its end included and read as 0; where
    directions are ``turning``, -359 is 1 degree.
    An elevation angle (0 level) lies within a quarter circle of level, on face 2 up to the
    full circle; it is returned as the zenith angle.
    """
    values, bad = parse_angles(texts, unit)
    if turning:
        values = np.where((values < 0.0) & (values > -TWO_PI), values + TWO_PI, values)
    for i in np.flatnonzero(_impossible(column, values, unit, face_two)):
        bad[int(i)] = f"{unit} is outside {_span(column, unit, bool(face_two[i]))}"
        values[i] = np.nan
    if column == "zenith":
        # Exactly 0: nobody sights along the plumb line; instruments write it for "not measured".
        for i in np.flatnonzero(np.abs(wrap_half(values)) < _ROUNDING):
            bad[int(i)] = "points straight up; leave the cell empty where none was measured"
            values[i] = np.nan
    values = np.clip(values, *_limits(column, face_two))
    return wrap_full(_QUARTER - values if column == "elevation_angle" else values), bad


def _limits(column: str, face_two: BoolArray) -> tuple[float, FloatArray]:
    if column != "elevation_angle":
        return 0.0, np.full(len(face_two), TWO_PI)
    return -_QUARTER, np.where(face_two, TWO_PI, _QUARTER)


def _impossible(column: str, values: FloatArray, unit: str, face_two: BoolArray) -> BoolArray:
    low, high = _limits(column, face_two)
    slack = _SLACK.get(unit, _ROUNDING)
    outside: BoolArray = (values < low - slack) | (values > high + slack)
    return outside


def _span(column: str, unit: str, face_two: bool) -> str:
    full = FULL_CIRCLE[unit]
    if column != "elevation_angle":
        return f"0-{full:.6g}"
    return f"{-full / 4:.6g} to {full if face_two else full / 4:.6g}"


def better_units(column: str, texts: Sequence[str], unit: str) -> tuple[str, ...]:
    """Return the other units in which a column is possible.

    Nineteen cells of twenty can be read, none is outside the circle, and sights to targets are
    on the whole more level than steep.
    """
    cells = [text for text in texts if text]
    return tuple(u for u in ANGLE_UNITS if u != unit and cells and _fits(column, cells, u))


def _fits(column: str, cells: list[str], unit: str) -> bool:
    values, bad = parse_angles(cells, unit)
    if len(bad) * 20 > len(cells):
        return False
    if np.any(_impossible(column, values, unit, np.ones(len(cells), dtype=bool))):
        return False
    if column == "direction":
        return True
    level = np.cos(values) if column == "elevation_angle" else np.sin(values)
    return bool(np.nanmedian(np.abs(level)) > _LEVEL)


def suspicion(
    column: str, texts: Sequence[str], unit: str, values: FloatArray
) -> tuple[str, tuple[str, ...]]:
    """Say why a column seems to be in another unit, and in which; empty where it does not.

    Two signs, each on three values at least: so many values lie beyond the circle as those
    of a unit with a larger circle would; or every sight is steep here and level in another
    unit. ``values`` are what `read_angles` made of ``texts``.
    """
    known = values[~np.isnan(values)]
    beyond = sum(map(bool, texts)) - len(known)
    if beyond >= _FEW:
        return _beyond(column, [text for text in texts if text], unit, beyond)
    if column == "zenith" and len(known) >= _FEW and np.all(np.abs(np.sin(known)) < _STEEP):
        units = better_units(column, texts, unit)
        sign = f"every zenith angle in {unit} is within 11 degrees of the plumb line"
        return (sign, units) if units else ("", ())
    return "", ()


def _beyond(column: str, cells: list[str], unit: str, beyond: int) -> tuple[str, tuple[str, ...]]:
    for other in better_units(column, cells, unit):
        # Of evenly spread directions this share would lie beyond; a third of it is a pattern.
        expected = 1.0 - FULL_CIRCLE[unit] / FULL_CIRCLE[other]
        if expected > 0.0 and beyond >= expected / 3.0 * len(cells):
            outside = f"outside {_span(column, unit, True)} {unit}"
            return f"{beyond} of {len(cells)} cells of {column} are {outside}", (other,)
    return "", ()
