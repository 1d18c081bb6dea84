"""Read the plan of a job: places.csv and sights.csv, before anything is measured."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.job import Job
from tieup.model.observations import KINDS
from tieup.model.plan import Plan, PlannedSights
from tieup.read.landxml_reader import is_landxml
from tieup.read.list_columns import LISTS
from tieup.read.lists import ListColumns, read_list
from tieup.read.places_reader import PlannedPlaces, hold_to_control, read_places
from tieup.read.workbook_reader import is_workbook
from tieup.units import length_factor

EYE_HEIGHT = 1.5  # m; where no height is planned: common practice, no source
MOST = 99  # rounds of a sight


def read_plan(job: Job, control: Control | None) -> Plan:
    """Read the list of sights and the list of places of a job that names a plan.

    sights.csv: ``setup, point`` and what is wanted of ``station, instrument_height,
    target_height, target, instrument, rounds, faces, measured, note``; an empty height is 1.5 m,
    empty rounds and faces are 1, an empty ``measured`` is direction, zenith and distance.
    places.csv: ``point, northing, easting, elevation``; the elevation of a free setup is that
    of its instrument. A mark of ``control`` need not be in it and may not be elsewhere.

    Raises
    ------
    InputError
        A list cannot be read, or a row contradicts another; all problems of a list at once.
    """
    assert job.plan_sights is not None
    places = read_places(job.plan_places, job) if job.plan_places else PlannedPlaces()
    name = job.name_of(job.plan_sights)
    columns = read_list(job.plan_sights, name, LISTS["sights"])
    setups, points = _names(columns, "setup"), _names(columns, "point")
    factor = length_factor(job.length_unit)
    heights = _heights(columns, "instrument_height", factor)
    sights = PlannedSights(
        setup=_numbered(columns.texts("setup"), setups),
        point=_numbered(columns.texts("point"), points),
        target_height=_heights(columns, "target_height", factor),
        measured=_measured(columns),
        rounds=_counts(columns, "rounds", MOST),
        faces=_counts(columns, "faces", 2),
        target=np.array(columns.texts("target"), dtype=object),
        line=columns.table.line,
    )
    made = tuple(_setup(columns, label, heights, job) for label in setups)
    _refuse_repeats(columns)
    _refuse_itself(columns, made, sights)
    _refuse_double_names(columns, made, points, places.at)
    columns.raise_problems()
    free = {setup.label for setup in made if not setup.station}
    doubled = hold_to_control(places, control, free, job)
    return Plan(name, made, points, sights, places.at, doubled)


def require_places(plan: Plan, known: Collection[str]) -> None:
    """Refuse a plan in which anything that is to be used has no place.

    ``known`` are the marks and setups whose place is known from control or from the field.

    Raises
    ------
    InputError
        Every sight of a mark, and every setup, without a place.
    """
    named, problems = {*plan.places, *known}, []
    lines = plan.sights.line.tolist()
    for label in _unplaced_setups(plan, named):
        row = int(np.flatnonzero(plan.sights.setup == label)[0])
        setup = plan.setups[label]
        if setup.station:
            what = f"station {setup.station} of setup {setup.label} has no place"
        else:
            what = f"setup {setup.label} is a free station (its station is empty) and has no place"
        problems.append((lines[row], what))
    for point, name in enumerate(plan.points):
        if name not in named:
            row = int(np.flatnonzero(plan.sights.point == point)[0])
            problems.append((lines[row], f"point {name} has no place"))
    if problems:
        cure = "Give approximate coordinates in places.csv (plan: places), or correct the name"
        raise InputError(
            *(f"{plan.sights_file}:{line}: {what}. {cure}" for line, what in sorted(problems))
        )


def _unplaced_setups(plan: Plan, named: set[str]) -> list[int]:
    return [
        number
        for number, setup in enumerate(plan.setups)
        if (setup.station or setup.label) not in named
    ]


def files_with_rows(job: Job) -> tuple[Path, ...]:
    """Return the raw files that hold more than a header: the evening before there are none."""
    return tuple(path for path in job.raw_files if _has_rows(path, job))


def _has_rows(path: Path, job: Job) -> bool:
    if is_workbook(path) or is_landxml(path):
        return True
    above = int(job.table.get("skip_rows", 0)) + bool(job.table.get("header", True))
    lines = path.read_bytes().splitlines()
    return sum(bool(line.strip()) and not line.lstrip().startswith(b"#") for line in lines) > above


def _names(columns: ListColumns, name: str) -> tuple[str, ...]:
    """Return the different names of a column, noting rows without one."""
    texts = columns.texts(name)
    for row in [row for row, text in enumerate(texts) if not text]:
        columns.note(row, f"{name} is empty")
    return tuple(dict.fromkeys(texts))


def _numbered(texts: list[str], names: tuple[str, ...]) -> IntArray:
    number = {name: i for i, name in enumerate(names)}
    return np.array([number[text] for text in texts], dtype=np.int64)


def _heights(columns: ListColumns, name: str, factor: float) -> FloatArray:
    """Return heights in m, the usual one where the cell is empty."""
    value = columns.numbers(name) * factor
    columns.refuse(name, np.abs(value) > 100.0, "is no height that can be set up")
    return np.where(np.isnan(value), EYE_HEIGHT, value)


def _counts(columns: ListColumns, name: str, most: int) -> IntArray:
    value = columns.numbers(name)
    wrong = (value != np.floor(value)) | (value < 1) | (value > most)
    columns.refuse(name, wrong & ~np.isnan(value), f"is not a whole number from 1 to {most}")
    return np.where(np.isnan(value) | wrong, 1, np.nan_to_num(value, nan=1.0)).astype(np.int64)


def _measured(columns: ListColumns) -> BoolArray:
    """Return which kinds (k, 3) each row wants; all of them where the cell is empty."""
    rows = []
    for row, text in enumerate(columns.texts("measured")):
        words = text.lower().replace("+", " ").split()
        strange = [word for word in words if word not in KINDS]
        if strange:
            columns.note(
                row, f'measured "{text}": {strange[0]} is none of {", ".join(KINDS)}. Leave the '
                "cell empty for all three, or write for instance direction zenith"
            )  # fmt: skip
        rows.append([not words or kind in words for kind in KINDS])
    return np.array(rows, dtype=np.bool_)


def _setup(columns: ListColumns, label: str, heights: FloatArray, job: Job) -> Setup:
    """Return one setup; what its rows say of it must agree."""
    rows = [row for row, text in enumerate(columns.texts("setup")) if text == label]
    station = _agreed(columns, rows, "station", label)
    _refuse_half_free(columns, rows, label)
    _agreed(columns, rows, "instrument_height", label)
    instrument = _agreed(columns, rows, "instrument", label) or "default"
    if instrument not in job.precision.instruments:
        known = ", ".join(job.precision.instruments)
        columns.note(
            rows[0],
            f"instrument {instrument} is not under instruments: in job.yaml. There are {known}",
        )
    given = [row for row in rows if columns.texts("instrument_height")[row]] or rows
    height = float(heights[given[0]]) if station else 0.0
    return Setup(label, label, columns.table.name, station, height, instrument)


def _agreed(columns: ListColumns, rows: list[int], name: str, label: str) -> str:
    """Return what the rows of a setup say in a column; rows that leave it empty agree."""
    texts = columns.texts(name)
    said = {text: row for row in reversed(rows) if (text := texts[row])}
    if len(said) > 1:
        first, second, *_ = sorted(said.values())
        columns.note(
            second,
            f"{name} of setup {label} is {texts[second]}, on line {columns.table.line[first]} "
            f"it is {texts[first]}. One setup has one {name.replace('_', ' ')}",
        )
    return next(iter(said), "")


def _refuse_half_free(columns: ListColumns, rows: list[int], label: str) -> None:
    """Refuse a setup that stands over a mark in some of its rows and over none in others."""
    texts, line = columns.texts("station"), columns.table.line
    over = next((row for row in rows if texts[row]), None)
    free = next((row for row in rows if not texts[row]), None)
    if over is not None and free is not None:
        columns.note(
            max(over, free),
            f"setup {label} stands over {texts[over]} on line {line[over]} and is free (station "
            f"is empty) on line {line[free]}. Write its station in every row of the setup or in "
            "none, or give one of the two setups another label",
        )


def _refuse_repeats(columns: ListColumns) -> None:
    first: dict[tuple[str, str], int] = {}
    for row, pair in enumerate(zip(columns.texts("setup"), columns.texts("point"), strict=True)):
        if first.setdefault(pair, row) != row and all(pair):
            columns.note(
                row,
                f"setup {pair[0]} sights point {pair[1]} on line "
                f"{columns.table.line[first[pair]]} already. Take this line out, or raise "
                "rounds there",
            )


def _refuse_itself(columns: ListColumns, setups: tuple[Setup, ...], sights: PlannedSights) -> None:
    for row, (setup, point) in enumerate(
        zip(sights.setup.tolist(), columns.texts("point"), strict=True)
    ):
        if point and setups[setup].station == point:
            columns.note(
                row,
                f"setup {setups[setup].label} stands over {point} and cannot sight it. "
                "Take the line out, or correct point or station",
            )


def _refuse_double_names(
    columns: ListColumns,
    setups: tuple[Setup, ...],
    points: tuple[str, ...],
    places: Collection[str],
) -> None:
    """Refuse a label of a free setup that is the name of a mark: both would share one place."""
    marks = {*points, *(setup.station for setup in setups)}
    for setup in setups:
        if not setup.station and setup.label in marks and setup.label in places:
            row = columns.texts("setup").index(setup.label)
            columns.note(
                row,
                f"setup {setup.label} is a free station and {setup.label} is a mark as well: "
                "places.csv cannot tell them apart. Give the setup another label",
            )
