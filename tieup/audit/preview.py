"""The first raw rows as they were understood: a dry run of the reading, nothing more."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Fieldbook, InvalidRow, Setup
from tieup.model.reconciliation import Table
from tieup.units import format_angles, length_factor

_LENGTHS = ("distance", "target_height")


def first_rows(fieldbook: Fieldbook, number: int, angle_unit: str, length_unit: str) -> Table:
    """Return the first rows of each file in the job's units, all texts.

    ``row`` says what became of each: read, repeated, unused or invalid; ``reason`` why it is
    not simply read.
    """
    read = _read(fieldbook, number, angle_unit, length_factor(length_unit))
    apart = [
        _apart(fieldbook, row, fate)
        for fate, rows in (("unused", fieldbook.unused), ("invalid", fieldbook.invalid))
        for row in rows
    ]
    chosen: list[dict[str, str]] = []
    for file in fieldbook.files:
        own = [row for row in (*read, *apart) if row["file"] == file.name]
        chosen += sorted(own, key=lambda row: int(row["line"]))[:number]
    names = list(read[0] if read else apart[0])
    return {name: [row[name] for row in chosen] for name in names}


def _read(
    fieldbook: Fieldbook, number: int, angle_unit: str, length: float
) -> list[dict[str, str]]:
    shots = fieldbook.shots
    rows = _first_of_files(shots.file, len(fieldbook.files), number)
    setups = [fieldbook.setups[i] for i in shots.setup[rows]]
    columns: dict[str, list[str]] = {
        "file": [fieldbook.files[i].name for i in shots.file[rows]],
        "line": [str(line) for line in shots.line[rows]],
        "row": ["repeated" if copy else "read" for copy in shots.repeated[rows]],
        "setup": [setup.label for setup in setups],
        "station": [setup.station for setup in setups],
        "instrument_height": _lengths(np.array([_height(setup) for setup in setups]), length),
        "point": [fieldbook.points[i] for i in shots.point[rows]],
        "face": [str(face) for face in shots.face[rows]],
        "direction": format_angles(shots.direction[rows], angle_unit),
        "zenith": format_angles(shots.zenith[rows], angle_unit),
        **{name: _lengths(getattr(shots, name)[rows], length) for name in _LENGTHS},
        **{name: list(getattr(shots, name)[rows]) for name in ("role", "code", "note")},
        "reason": [
            _remark(setup, copy) for setup, copy in zip(setups, shots.repeated[rows], strict=True)
        ],
    }
    return [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]


def _height(setup: Setup) -> float:
    """Return the instrument height as it was booked, NaN for none."""
    if setup.station:
        return setup.instrument_height
    return math.nan if setup.idle_height is None else setup.idle_height


def _remark(setup: Setup, copy: bool) -> str:
    if copy:
        return "copies an earlier row"
    return "" if setup.idle_height is None else "a free station: its height is not used"


def _first_of_files(file: IntArray, files: int, number: int) -> IntArray:
    """Return the first ``number`` rows of each file; rows stand in the order of the files."""
    starts = np.searchsorted(file, np.arange(files))
    ends = np.searchsorted(file, np.arange(files), side="right")
    spans = zip(starts, np.minimum(starts + number, ends), strict=True)
    return np.concatenate([np.arange(first, last) for first, last in spans])


def _lengths(values: FloatArray, length: float) -> list[str]:
    return ["" if value != value else f"{value:.4f}" for value in (values / length).tolist()]


def _apart(fieldbook: Fieldbook, row: InvalidRow, fate: str) -> dict[str, Any]:
    blank = dict.fromkeys(
        ["station", "instrument_height", "face", "direction", "zenith", *_LENGTHS], ""
    )
    ends = dict.fromkeys(["role", "code", "note"], "")
    return {
        "file": fieldbook.files[row.file].name,
        "line": str(row.line),
        "row": fate,
        "setup": row.setup,
        **{name: blank[name] for name in ("station", "instrument_height")},
        "point": row.point,
        **blank,
        **ends,
        "reason": row.reason,
    }
