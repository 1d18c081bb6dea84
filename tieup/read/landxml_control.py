"""Read known marks out of the points of a LandXML file.

A point is control where the file says so; which of the others are is for job.yaml to say.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tieup.errors import InputError, did_you_mean
from tieup.model.control import Control
from tieup.model.job import Job
from tieup.read.cells import LARGEST, SMALLEST_SD
from tieup.read.form import written
from tieup.read.landxml_points import FilePoint, file_points
from tieup.read.landxml_reader import read_document
from tieup.read.landxml_units import file_units
from tieup.units import length_factor, parse_numbers

EVERY = "all"
_SHOWN = 3  # marks that a message gives as an example


def read_landxml_control(path: Path, job: Job) -> Control:
    """Read the known marks of a LandXML file.

    Those are the CgPoints with ``pntSurv="control"`` or the role of a control point, or the
    ``marks`` that the job names (`Job.control_table`): all points that have coordinates, or
    a list. Standard deviations are the file's own where it states them, else `Job.control_sd`.

    Raises
    ------
    InputError
        The file is no LandXML, has no such marks, a coordinate cannot be read, or one mark
        has two sets of coordinates; all problems at once.
    """
    name = job.name_of(path)
    document = read_document(path, name)
    factor = length_factor(file_units(document, job).length)
    points, wanted = file_points(document), job.control_table.get("marks")
    marks, problems = _distinct_marks(name, _wanted(points, wanted))
    coordinates = np.full((len(marks), 3), np.nan)
    sd = np.full((len(marks), 3), np.nan)
    for row, mark in enumerate(marks):
        for target, texts in ((coordinates, mark.coordinates[:3]), (sd, mark.sds)):
            values, bad = parse_numbers(texts)
            target[row, : len(values)] = values * factor
            problems += [f'{name}:{mark.line}: {mark.name}: "{texts[i]}" {bad[i]}' for i in bad]
        if (np.abs(np.concatenate([coordinates[row], sd[row]])) > LARGEST).any():
            problems.append(f"{name}:{mark.line}: {mark.name}: a number is beyond all measure")
        if ((sd[row] < SMALLEST_SD) & (sd[row] != 0.0)).any():
            problems.append(f"{name}:{mark.line}: {mark.name}: has too small an sd")
    if not marks and not isinstance(wanted, list):
        problems.append(_no_marks(name, points))
    if problems:
        raise InputError(*problems)
    control = Control(
        file=name,
        names=tuple(mark.name for mark in marks),
        coordinates=coordinates,
        sd=np.where(np.isnan(sd), job.control_sd, sd),
        line=np.array([mark.line for mark in marks], dtype=np.int64),
        notes=tuple(mark.note for mark in marks),
        sha256=document.sha256,
    )
    return chosen(control, wanted)


def _wanted(points: list[FilePoint], marks: Any) -> list[FilePoint]:
    if marks == EVERY:
        return [point for point in points if point.name and point.coordinates]
    if isinstance(marks, list):
        return [point for point in points if point.name in marks and point.coordinates]
    return [point for point in points if point.control]


def _no_marks(name: str, points: list[FilePoint]) -> str:
    """Say that no point is marked as control, and how to name those that are."""
    there = list(dict.fromkeys(p.name for p in points if p.name and p.coordinates))
    cure = "Copy the marks into control.csv"
    if there:
        few = [*there[:_SHOWN], *(["..."] if len(there) > _SHOWN else [])]
        cure = f"Name those that are: control: {written({'file': name, 'marks': few})}"
    return (
        f'{name}: has no control marks. Expected CgPoint with pntSurv="control"; it has '
        f"{len(there)} points without. {cure}"
    )


def _distinct_marks(name: str, marks: list[FilePoint]) -> tuple[list[FilePoint], list[str]]:
    """Keep the first of equal marks; note a second one with other coordinates."""
    first: dict[str, FilePoint] = {}
    problems = []
    for mark in marks:
        earlier = first.setdefault(mark.name, mark)
        if earlier.coordinates != mark.coordinates:
            problems.append(
                f"{name}:{mark.line}: {mark.name} is on line {earlier.line} already, with other "
                "coordinates. Copy the right ones into control.csv and set control: control.csv"
            )
    return list(first.values()), problems


def chosen(control: Control, marks: Any) -> Control:
    """Return the marks of a list that job.yaml names; all of them where it names none.

    Raises
    ------
    InputError
        A name is none of the list's.
    """
    if not isinstance(marks, list):
        return control
    problems = []
    for mark in dict.fromkeys(name for name in marks if name not in control.names):
        hint = did_you_mean(mark, control.names) or "Look in the list"
        problems.append(f"{control.file}: has no mark {mark} (control.marks). {hint}")
    if problems:
        raise InputError(*problems)
    kept = np.flatnonzero([name in marks for name in control.names])
    return replace(
        control,
        names=tuple(control.names[row] for row in kept),
        coordinates=control.coordinates[kept],
        sd=control.sd[kept],
        line=control.line[kept],
        notes=tuple(control.notes[row] for row in kept),
    )
