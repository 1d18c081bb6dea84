"""Read the control list: marks with known coordinates."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.job import Job
from tieup.read.cells import LARGEST, SMALLEST_SD
from tieup.read.covariance_reader import job_control, with_covariance
from tieup.read.form import KEYS, stated_format, written
from tieup.read.landxml_control import chosen, read_landxml_control
from tieup.read.landxml_reader import is_landxml
from tieup.read.list_columns import COORDINATES, LISTS, SDS
from tieup.read.lists import ListColumns, ListForm, read_list
from tieup.read.raw_columns import Source
from tieup.read.text_table import Table
from tieup.units import length_factor

_TOLD = (*KEYS, "marks")  # of a form that is stated: what a message repeats of it


def read_control(path: Path, job: Job) -> Control | None:
    """Read control.csv in the job's length unit, or the control marks of a LandXML file.

    It is read as the job says that it is written (`Job.control_table`), else as the native list.

    An empty coordinate is unknown (NaN); a standard deviation of 0 holds the component, an
    empty one takes the job's ``control_sd``. A mark listed again with the same values is
    read once and its note says so. A list without marks is none, where the job needs none.
    Another job's marks, and a covariance that job.yaml names, are read by
    `tieup.read.covariance_reader`.

    Raises
    ------
    InputError
        The file is no such table, a cell cannot be read, a standard deviation is negative,
        or one mark has two sets of values; all problems at once. There are no marks, and the
        datum is control.
    """
    if job.control_job:
        return job_control(path, job)
    control = read_landxml_control(path, job) if is_landxml(path) else _read_list(path, job)
    if control is None or job.covariance_file is None:
        return control
    return with_covariance(control, job.covariance_file, job)


def _read_list(path: Path, job: Job) -> Control | None:
    name = job.name_of(path)
    listed = _list_form(name, job)
    columns = read_list(path, name, LISTS["control"], rowless=True, listed=listed)
    if not len(columns.table):
        _refuse_none(columns.table, job)
        return None
    coordinates = np.column_stack([_coordinate(columns, c) for c in COORDINATES])
    sd = np.column_stack([_sd(columns, c) for c in SDS])
    coordinates *= [_factor(c, listed, job) for c in COORDINATES]
    sd *= [_factor(c, listed, job) for c in SDS]
    _note_too_small(columns, sd)
    sd = np.where(np.isnan(sd), job.control_sd, sd)
    names = columns.texts("point")
    for row in [row for row, point in enumerate(names) if not point]:
        columns.note(row, "point is empty")
    kept, notes = _without_repeats(columns, np.hstack([coordinates, sd]))
    columns.raise_problems()
    return chosen(
        Control(
            file=name,
            names=tuple(names[row] for row in kept),
            coordinates=coordinates[kept],
            sd=sd[kept],
            line=columns.table.line[kept],
            notes=notes,
            sha256=columns.table.sha256,
        ),
        job.control_table.get("marks"),
    )


def _list_form(name: str, job: Job) -> ListForm:
    """Take how the list is written from the job; messages repeat what is stated already."""
    stated = job.control_table
    sources = {key: Source(**source) for key, source in stated.get("columns", {}).items()}
    told = {"file": name, **{key: own for key, own in stated.items() if key in _TOLD}}
    if told.get("delimiter") == ",":
        del told["delimiter"]  # the default, which nobody wrote
    around = (f"control: {written(told)[:-1]}, ", "}")
    return ListForm(stated_format(stated, around), sources, "control.columns")


def _factor(name: str, listed: ListForm, job: Job) -> float:
    """Return metres in the unit of a column."""
    source = listed.sources.get(name)
    return length_factor(source.unit if source and source.unit else job.length_unit)


def _refuse_none(table: Table, job: Job) -> None:
    """Refuse a list without marks where the marks hold the frame."""
    if job.datum.kind == "control":
        found = "has a header and no rows below it" if table.header else "is empty"
        raise InputError(
            f"{table.name}:{table.header_line}: {found}, and datum is control. Add a row for each "
            "known mark, or state datum: free or datum: local"
        )


def _coordinate(columns: ListColumns, name: str) -> FloatArray:
    values = columns.numbers(name)
    columns.refuse(name, np.abs(values) > LARGEST, "is beyond all measure")
    return values


def _sd(columns: ListColumns, name: str) -> FloatArray:
    values = columns.numbers(name)
    columns.refuse(name, values > LARGEST, "is beyond all measure")
    columns.refuse(name, values < 0.0, "is negative. Expected 0 (held) or more")
    return values


def _note_too_small(columns: ListColumns, sd: FloatArray) -> None:
    """Note standard deviations (n, 3) in m that no coordinate can have and that are not 0."""
    for place, name in enumerate(SDS):
        wrong = (sd[:, place] > 0.0) & (sd[:, place] < SMALLEST_SD)
        columns.refuse(name, wrong, "is finer than any mark is known. Expected 0 (held) or more")


def _without_repeats(columns: ListColumns, values: FloatArray) -> tuple[IntArray, tuple[str, ...]]:
    """Keep the first row of each mark; note a second one that says something else."""
    first: dict[str, int] = {}
    notes = dict(enumerate(columns.texts("note")))
    for row, point in enumerate(columns.texts("point")):
        earlier = first.setdefault(point, row)
        if earlier == row or not point:
            continue
        line = columns.table.line[row]
        if np.array_equal(values[row], values[earlier], equal_nan=True):
            notes[earlier] = f"{notes[earlier]} (again on line {line})".strip()
        else:
            columns.note(
                row,
                f"{point} is on line {columns.table.line[earlier]} already, with other values. "
                "Remove one of the two lines, or rename the mark",
            )
    kept = np.array(list(first.values()), dtype=np.int64)
    return kept, tuple(notes[row] for row in kept.tolist())
