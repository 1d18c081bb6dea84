"""Read levelled height differences and taped distances between marks.

`read_booked_links` gives the rows as booked, `number_links` makes arrays of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.model.job import Job
from tieup.model.link import BookedLink
from tieup.model.network import Links
from tieup.read.cells import LARGEST, SMALLEST_SD
from tieup.read.lists import ListColumns, read_list
from tieup.units import length_factor

_KILOMETRE = 1000.0


def read_booked_links(job: Job) -> tuple[BookedLink, ...]:
    """Read the levels and then the tapes of a job, each in recorded order."""
    booked: tuple[BookedLink, ...] = ()
    if job.levels_file:
        booked += read_levels(job.levels_file, job)
    if job.tapes_file:
        booked += read_tapes(job.tapes_file, job)
    return booked


def number_links(
    booked: Sequence[BookedLink], points: Sequence[str]
) -> tuple[tuple[str, ...], Links]:
    """Turn booked rows into arrays, with their marks as indices of points.

    Returns
    -------
    points
        The given names, then the marks that only levels or tapes name.
    links
        One for each booked row.
    """
    marks = (mark for link in booked for mark in (link.start, link.end))
    names = tuple(dict.fromkeys((*points, *marks)))
    number = {name: index for index, name in enumerate(names)}
    return names, Links(
        kind=np.array([link.kind for link in booked], dtype=object),
        start=np.array([number[link.start] for link in booked], dtype=np.int64),
        end=np.array([number[link.end] for link in booked], dtype=np.int64),
        value=np.array([link.value for link in booked], dtype=np.float64),
        sd=np.array([link.sd for link in booked], dtype=np.float64),
    )


def read_levels(path: Path, job: Job) -> tuple[BookedLink, ...]:
    """Read levels.csv: ``from, to, difference, sd, length, note`` in the job's length unit.

    The standard deviation is the row's own, or that of the run: ``levels_sd`` of the job
    times the square root of the length in km.

    Raises
    ------
    InputError
        The file is no such table, a cell cannot be read, or a row has neither an sd nor a
        length with ``levels_sd``; all problems at once.
    """
    name = job.name_of(path)
    columns = read_list(path, name, ("from", "to", "difference"), ("sd", "length", "note"))
    factor = length_factor(job.length_unit)
    difference = _needed(columns, "difference") * factor
    length = columns.numbers("length") * factor
    columns.refuse("length", length <= 0.0, "is not above 0")
    columns.refuse("length", length > LARGEST, "is beyond all measure")
    per_km = np.nan if job.levels_sd is None else job.levels_sd
    of_run = per_km * np.sqrt(np.maximum(length, 0.0) / _KILOMETRE)
    remedy = "Give an sd, or the length of the run and levels_sd in job.yaml"
    sd = _sd(columns, of_run, factor, remedy)
    return _links("level", columns, difference, sd)


def read_tapes(path: Path, job: Job) -> tuple[BookedLink, ...]:
    """Read tapes.csv: ``from, to, distance, sd, note``, horizontal, in the job's length unit.

    Raises
    ------
    InputError
        The file is no such table or a cell cannot be read; all problems at once.
    """
    name = job.name_of(path)
    columns = read_list(path, name, ("from", "to", "distance", "sd"), ("note",))
    factor = length_factor(job.length_unit)
    distance = _needed(columns, "distance") * factor
    columns.refuse("distance", distance <= 0.0, "is not above 0")
    sd = _sd(columns, np.full(len(distance), np.nan), factor, "Give one")
    return _links("tape", columns, distance, sd)


def _needed(columns: ListColumns, name: str) -> FloatArray:
    """Return a column of numbers in which no cell may be empty."""
    values = columns.numbers(name)
    columns.refuse(name, np.abs(values) > LARGEST, "is beyond all measure")
    for row in [row for row, text in enumerate(columns.texts(name)) if not text]:
        columns.note(row, f"{name} is empty")
    return values


def _sd(columns: ListColumns, fallback: FloatArray, factor: float, remedy: str) -> FloatArray:
    own = columns.numbers("sd") * factor
    columns.refuse("sd", own <= 0.0, "is not above 0")
    columns.refuse("sd", own > LARGEST, "is beyond all measure")
    sd = np.where(np.isnan(own), fallback, own)
    texts = columns.texts("sd")
    columns.refuse("sd", (sd > 0.0) & (sd < SMALLEST_SD), "is finer than any length is known")
    for row in [row for row in np.flatnonzero(np.isnan(sd)).tolist() if not texts[row]]:
        columns.note(row, f"has no standard deviation. {remedy}")
    return sd


def _links(
    kind: str, columns: ListColumns, values: FloatArray, sd: FloatArray
) -> tuple[BookedLink, ...]:
    starts, ends, notes = (columns.texts(name) for name in ("from", "to", "note"))
    for row, (start, end) in enumerate(zip(starts, ends, strict=True)):
        if not start or not end:
            columns.note(row, "from or to is empty")
        elif start == end:
            columns.note(row, f"runs from {start} to itself")
    columns.raise_problems()
    table = columns.table
    return tuple(
        BookedLink(
            kind,
            start,
            end,
            float(value),
            float(one_sd),
            table.name,
            int(line),
            note,
            table.sha256,
        )
        for start, end, value, one_sd, line, note in zip(
            starts, ends, values, sd, table.line, notes, strict=True
        )
    )
