"""Read the approximate places of a plan, and hold them against control."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.control import Control
from tieup.model.job import Job
from tieup.read.cells import LARGEST
from tieup.read.list_columns import COORDINATES, LISTS
from tieup.read.lists import ListColumns, read_list
from tieup.units import length_factor

FARTHEST = 1.0  # m; an approximate place farther from control is another one: a metre will do


@dataclass(frozen=True)
class PlannedPlaces:
    """The list of places: approximate N, E, H (m) and line by name; ``file`` for messages."""

    file: str = ""
    at: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    line: dict[str, int] = field(default_factory=dict)


def read_places(path: Path, job: Job) -> PlannedPlaces:
    """Read approximate places (m) by name.

    Raises
    ------
    InputError
        The file is no such table, a cell is empty or no number, or a name is there twice.
    """
    name = job.name_of(path)
    columns = read_list(path, name, LISTS["places"])
    values = []
    for coordinate in COORDINATES:
        value = columns.numbers(coordinate)
        columns.refuse(coordinate, np.abs(value) > LARGEST, "is beyond all measure")
        texts = columns.texts(coordinate)
        for row in [row for row, text in enumerate(texts) if not text]:
            columns.note(row, f"{coordinate} is empty. Give an approximate one, a metre will do")
        values.append(value * length_factor(job.length_unit))
    _refuse_names(columns)
    columns.raise_problems()
    points, lines = columns.texts("point"), columns.table.line.tolist()
    rows = zip(*(value.tolist() for value in values), strict=True)
    return PlannedPlaces(
        name,
        dict(zip(points, rows, strict=True)),
        dict(zip(points, lines, strict=True)),
    )


def _refuse_names(columns: ListColumns) -> None:
    first: dict[str, int] = {}
    for row, point in enumerate(columns.texts("point")):
        if not point:
            columns.note(row, "point is empty")
        elif first.setdefault(point, row) != row:
            there = columns.table.line[first[point]]
            columns.note(row, f"point {point} is on line {there} already. Take one line out")


def hold_to_control(
    places: PlannedPlaces, control: Control | None, free: Collection[str], job: Job
) -> tuple[str, ...]:
    """Return the marks of which the list says something else than control, within a metre.

    ``free`` are the labels of free setups: what the list says under such a name is no mark.

    Raises
    ------
    InputError
        Every mark that the list puts farther than a metre from its known coordinates.
    """
    if control is None:
        return ()
    near, problems = [], []
    factor, unit = length_factor(job.length_unit), job.length_unit
    known = zip(control.names, control.coordinates, control.line.tolist(), strict=True)
    for name, there, line in known:
        if name not in places.at or name in free:
            continue
        apart = float(np.sqrt(np.nansum((np.array(places.at[name]) - there) ** 2)))
        if apart > FARTHEST:
            problems.append(
                f"{places.file}:{places.line[name]}: {name} is {apart / factor:.2f} {unit} from "
                f"where {control.file}:{line} has it. Take this line out, or correct the one "
                "that is wrong"
            )
        elif apart > 0.0:
            near.append(name)
    if problems:
        raise InputError(*problems)
    return tuple(near)
