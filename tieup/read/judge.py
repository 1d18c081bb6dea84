"""Judge a raw file as a whole: whether it is written as job.yaml says.

A file cannot be trusted when more than half of its rows cannot be read, or when an angle
column looks like another unit.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import FloatArray, IntArray
from tieup.read.angles import better_units, suspicion
from tieup.read.cells import Converted
from tieup.read.raw_columns import COLUMNS, Cells
from tieup.units import ANGLE_UNITS

_SHOWN = 5  # bad lines that a message lists


def judge_file(
    name: str,
    line: IntArray,
    columns: Mapping[str, Cells],
    converted: Converted,
    place: str = "job.yaml",
) -> None:
    """Raise where a file as a whole cannot be trusted.

    Parameters
    ----------
    line (r,)
        The line of each row.
    place
        Where the units are stated and can be corrected.

    Raises
    ------
    InputError
        With the first bad lines, and the units in which the file could be read.
    """
    invalid, rows = len(converted.reasons), len(line)
    angles = {name: cells for name, cells in columns.items() if COLUMNS[name] == "angle"}
    hints = [] if invalid * 2 > rows else _suspicions(angles, converted, place)
    if not hints and invalid * 2 <= rows:
        return
    listed = [
        f"{name}:{line[row]}: {'; '.join(converted.reasons[row])}"
        for row in sorted(converted.reasons)[:_SHOWN]
    ]
    if not hints:
        more = f"{invalid} of {rows} rows cannot be read, more than half"
        hints = [f"{more}. {_unit_advice(angles, converted, place)}"]
    raise InputError(*listed, *(f"{name}: {hint}" for hint in hints))


def _suspicions(angles: Mapping[str, Cells], converted: Converted, place: str) -> list[str]:
    hints = []
    for name, cells in angles.items():
        sign, units = suspicion(name, cells.texts, cells.unit, _readings(name, converted))
        if sign:
            hints.append(f"{sign}. {_advice(name, cells, units, place)}")
    return hints


def _unit_advice(angles: Mapping[str, Cells], converted: Converted, place: str) -> str:
    """Say in which unit the angle columns could be read, where most of one cannot."""
    for name, cells in angles.items():
        given = sum(map(bool, cells.texts))
        read = int(np.count_nonzero(~np.isnan(_readings(name, converted))))
        if read * 2 >= given:
            continue
        units = [
            set(better_units(other, column.texts, column.unit))
            for other, column in angles.items()
            if column.unit_key == cells.unit_key
        ]
        common = tuple(unit for unit in ANGLE_UNITS if all(unit in fitting for fitting in units))
        if common:
            return _advice(name, cells, common, place)
    return f"Expected the columns and units that {place} states"


def _advice(name: str, cells: Cells, units: tuple[str, ...], place: str) -> str:
    """Propose units for a column, and where to state them."""
    key = f"{cells.unit_key}: {units[0]}" if len(units) == 1 else cells.unit_key
    return f"If {name} is in {' or '.join(units)}, not {cells.unit}, set {key} in {place}"


def _readings(name: str, converted: Converted) -> FloatArray:
    readings: FloatArray = converted.values["zenith" if name == "elevation_angle" else name]
    return readings
