"""Read one raw table, native or mapped, into columns of SI values.

Decides which rows are invalid, and when a file as a whole cannot be trusted: more than
half of its rows unreadable, or an angle column that looks like another unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import FloatArray
from tieup.model.fieldbook import RawFile
from tieup.model.job import Job
from tieup.read.angles import better_units, suspicion
from tieup.read.cells import Converted, convert
from tieup.read.columns import COLUMNS, Cells
from tieup.read.locate import locate_columns, table_format
from tieup.read.rows import FileRows
from tieup.read.tables import Table, read_table
from tieup.units import ANGLE_UNITS

_SHOWN = 5  # bad lines that a message lists


def read_native(path: Path, name: str, job: Job) -> FileRows:
    """Read one delimited raw file.

    A time that is not ISO 8601 does not make its row invalid, for nothing observed
    depends on it: the row has no time, and the column is reported with the unknown ones.

    Raises
    ------
    InputError
        The file is no such table (see `read_table`, `locate_columns`), more than half of
        its rows are invalid, or an angle column looks like another unit.
    """
    form = table_format(job.table)
    table = read_table(path, name, form)
    columns, unknown = locate_columns(table, job)
    converted = convert(columns, len(table), form.decimal)
    for row, why in table.misshapen.items():
        converted.reasons.setdefault(row, []).insert(0, f"the row {why}")
    _judge_file(table, columns, converted)
    if converted.undated:
        unknown = (*unknown, f"time ({converted.undated} cells not ISO 8601)")
    trusted = np.ones(len(table), dtype=bool)
    trusted[list(table.misshapen)] = False
    return FileRows(
        raw=RawFile(name, table.sha256, len(table)),
        line=table.line,
        values=converted.values,
        reasons={row: "; ".join(why) for row, why in sorted(converted.reasons.items())},
        observed=converted.observed,
        trusted=trusted,
        unknown=unknown,
    )


def _judge_file(table: Table, columns: Mapping[str, Cells], converted: Converted) -> None:
    """Raise where a file as a whole cannot be trusted."""
    invalid, rows = len(converted.reasons), len(table)
    angles = {name: cells for name, cells in columns.items() if COLUMNS[name] == "angle"}
    hints = [] if invalid * 2 > rows else _suspicions(angles, converted)
    if not hints and invalid * 2 <= rows:
        return
    listed = [
        f"{table.where(row)}: {'; '.join(converted.reasons[row])}"
        for row in sorted(converted.reasons)[:_SHOWN]
    ]
    if not hints:
        more = f"{invalid} of {rows} rows cannot be read, more than half"
        hints = [f"{more}. {_unit_advice(angles, converted)}"]
    raise InputError(*listed, *(f"{table.name}: {hint}" for hint in hints))


def _suspicions(angles: Mapping[str, Cells], converted: Converted) -> list[str]:
    hints = []
    for name, cells in angles.items():
        sign, units = suspicion(name, cells.texts, cells.unit, _readings(name, converted))
        if sign:
            hints.append(f"{sign}. {_advice(name, cells, units)}")
    return hints


def _unit_advice(angles: Mapping[str, Cells], converted: Converted) -> str:
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
            return _advice(name, cells, common)
    return "Expected the columns and units that job.yaml states"


def _advice(name: str, cells: Cells, units: tuple[str, ...]) -> str:
    """Propose units for a column, and where to state them."""
    key = f"{cells.unit_key}: {units[0]}" if len(units) == 1 else cells.unit_key
    return f"If {name} is in {' or '.join(units)}, not {cells.unit}, set {key} in job.yaml"


def _readings(name: str, converted: Converted) -> FloatArray:
    readings: FloatArray = converted.values["zenith" if name == "elevation_angle" else name]
    return readings
