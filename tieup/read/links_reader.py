"""Read levelled height differences, taped distances and baselines between marks.

`read_booked_links` gives the rows as booked, `number_links` makes arrays of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.model.job import Job
from tieup.model.link import BookedLink
from tieup.model.link_kinds import BASELINE
from tieup.model.network import Links
from tieup.read.cells import LARGEST, SMALLEST_SD
from tieup.read.list_columns import LISTS
from tieup.read.lists import ListColumns, read_list
from tieup.units import length_factor

_KILOMETRE = 1000.0
FARTHEST = 1.3e7  # m; two marks of the earth are no farther apart
COARSEST = 1.0  # m; the sd of a baseline that says nothing of a site
INDEPENDENT = 1e-9  # least eigenvalue of correlations that are no rounding


def read_booked_links(job: Job) -> tuple[BookedLink, ...]:
    """Read the lists of a job, kind after kind, each in recorded order."""
    readers = {"levels": read_levels, "tapes": read_tapes, "baselines": read_baselines}
    return tuple(
        link for listed, path in job.link_files.items() for link in readers[listed](path, job)
    )


def number_links(
    booked: Sequence[BookedLink], points: Sequence[str]
) -> tuple[tuple[str, ...], Links]:
    """Turn booked rows into arrays, with their marks as indices of points.

    Returns
    -------
    points
        The given names, then the marks that only levels or tapes name.
    links
        One for each component of a booked row.
    """
    marks = (mark for link in booked for mark in (link.start, link.end))
    names = tuple(dict.fromkeys((*points, *marks)))
    number = {name: index for index, name in enumerate(names)}
    count = np.array([len(link.values) for link in booked], dtype=np.int64)
    rows = [link.rows() for link in booked]
    return names, Links(
        kind=np.repeat(np.array([link.kind for link in booked], dtype=object), count),
        start=np.repeat(np.array([number[link.start] for link in booked], dtype=np.int64), count),
        end=np.repeat(np.array([number[link.end] for link in booked], dtype=np.int64), count),
        value=np.concatenate([np.zeros(0), *(value for value, _, _ in rows)]),
        sd=np.concatenate([np.zeros(0), *(sd for _, sd, _ in rows)]),
        along=np.concatenate([np.zeros((0, 3)), *(along for _, _, along in rows)]),
        booked=np.repeat(np.arange(len(booked)), count),
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
    columns = read_list(path, name, LISTS["levels"])
    factor = length_factor(job.length_unit)
    difference = _needed(columns, "difference") * factor
    length = columns.numbers("length") * factor
    columns.refuse("length", length <= 0.0, "is not above 0")
    columns.refuse("length", length > LARGEST, "is beyond all measure")
    per_km = np.nan if job.levels_sd is None else job.levels_sd
    of_run = per_km * np.sqrt(np.maximum(length, 0.0) / _KILOMETRE)
    remedy = "Give an sd, or the length of the run and levels_sd in job.yaml"
    sd = _sd(columns, of_run, factor, remedy)
    return _links("level", columns, difference[:, None], sd[:, None])


def read_tapes(path: Path, job: Job) -> tuple[BookedLink, ...]:
    """Read tapes.csv: ``from, to, distance, sd, note``, horizontal, in the job's length unit.

    Raises
    ------
    InputError
        The file is no such table or a cell cannot be read; all problems at once.
    """
    name = job.name_of(path)
    columns = read_list(path, name, LISTS["tapes"])
    factor = length_factor(job.length_unit)
    distance = _needed(columns, "distance") * factor
    columns.refuse("distance", distance <= 0.0, "is not above 0")
    sd = _sd(columns, np.full(len(distance), np.nan), factor, "Give one")
    return _links("tape", columns, distance[:, None], sd[:, None])


def read_baselines(path: Path, job: Job) -> tuple[BookedLink, ...]:
    """Read baselines.csv: ``from, to, d_northing, d_easting, d_elevation`` and their precision.

    Lengths are in the job's unit. Precision is ``sd_northing, sd_easting, sd_elevation`` (or
    ``var_...``, the squares), with covariances ``cov_northing_easting, cov_northing_elevation,
    cov_easting_elevation`` in squared units where they are known, 0 where empty.

    Raises
    ------
    InputError
        The file is no such table, a cell cannot be read, a component has no sd, or a covariance
        is none that three observations can have; all problems at once.
    """
    name = path.relative_to(job.folder).as_posix()
    parts = BASELINE.components
    pairs = [(a, b) for a in range(3) for b in range(a + 1, 3)]
    shared = [f"cov_{parts[a]}_{parts[b]}" for a, b in pairs]
    columns = read_list(path, name, LISTS["baselines"])
    factor = length_factor(job.length_unit)
    offset = [_needed(columns, f"d_{part}") * factor for part in parts]
    for part, values in zip(parts, offset, strict=True):
        columns.refuse(f"d_{part}", np.abs(values) > FARTHEST, "is longer than the earth is wide")
    sd = np.column_stack([_sd_or_variance(columns, part, factor) for part in parts])
    correlation = np.tile(np.eye(3), (len(sd), 1, 1))
    for (a, b), heading in zip(pairs, shared, strict=True):
        covariance = np.nan_to_num(columns.numbers(heading))
        both = np.where(sd[:, a] * sd[:, b] > 0.0, sd[:, a] * sd[:, b], np.nan)  # 0 is refused
        correlation[:, a, b] = correlation[:, b, a] = covariance / both
    _refuse_dependent(columns, correlation)
    _refuse_copied(columns, np.column_stack(offset))
    return _links("baseline", columns, np.column_stack(offset), sd * factor, correlation)


def _sd_or_variance(columns: ListColumns, part: str, factor: float) -> FloatArray:
    """Return the sds of one component of a baseline, from its sd or its variance.

    They are in the unit of the list, which is ``factor`` m.
    """
    if not {f"sd_{part}", f"var_{part}"} & columns.columns.keys():
        where = f"{columns.table.name}:{columns.table.header_line}"
        columns.problems.append(
            f"{where}: column sd_{part} is missing. Give the sds of d_{part}, or their squares as "
            f"var_{part}"
        )
        return np.full(len(columns.table), np.nan)
    sd, variance = columns.numbers(f"sd_{part}"), columns.numbers(f"var_{part}")
    for name, values in ((f"sd_{part}", sd), (f"var_{part}", variance)):
        columns.refuse(name, values <= 0.0, "is not above 0")
    for name, values in ((f"sd_{part}", sd), (f"var_{part}", np.sqrt(np.maximum(variance, 0.0)))):
        columns.refuse(
            name,
            values * factor > COARSEST,
            "is coarser than any baseline is observed. Lengths here are in the job's unit: in mm?",
        )
        fine = (values > 0.0) & (values * factor < SMALLEST_SD)
        columns.refuse(name, fine, "is finer than any length is known")
    for row in np.flatnonzero(np.isfinite(sd) & np.isfinite(variance)).tolist():
        columns.note(row, f"has sd_{part} and var_{part}. Give one of them")
    texts = zip(columns.texts(f"sd_{part}"), columns.texts(f"var_{part}"), strict=True)
    for row in [row for row, both in enumerate(texts) if not any(both)]:
        columns.note(
            row,
            f"has no standard deviation of d_{part}. Give sd_{part}, or the variance var_{part}",
        )
    return np.where(np.isnan(sd), np.sqrt(np.maximum(variance, 0.0)), sd)


def _refuse_dependent(columns: ListColumns, correlation: FloatArray) -> None:
    """Note the rows whose correlations (n, 3, 3) no three observations can have."""
    known = np.flatnonzero(np.isfinite(correlation).all(axis=(1, 2)))
    least = np.linalg.eigvalsh(correlation[known])[:, 0]
    for row in known[least < INDEPENDENT].tolist():
        columns.note(
            row,
            "has a covariance that is singular or impossible: the covariances are too large beside "
            "the standard deviations. Check cov_northing_easting, cov_northing_elevation, "
            "cov_easting_elevation and their unit (the square of that of the sds)",
        )


def _refuse_copied(columns: ListColumns, offset: FloatArray) -> None:
    """Note the rows whose offset (n, 3) and marks are those of a row before: it would count twice.

    No two observations agree in three components to the last digit.
    """
    first: dict[tuple[object, ...], int] = {}
    ends = zip(columns.texts("from"), columns.texts("to"), offset.tolist(), strict=True)
    for row, (start, end, parts) in enumerate(ends):
        line = int(columns.table.line[row])
        before = first.setdefault((start, end, *parts), line)
        if before != line:
            columns.note(row, f"repeats the baseline of line {before} to the digit. Take one out")


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
    kind: str,
    columns: ListColumns,
    values: FloatArray,
    sd: FloatArray,
    correlation: FloatArray | None = None,
) -> tuple[BookedLink, ...]:
    """Return the rows with ``values`` and ``sd`` (n, k) in m and ``correlation`` (n, k, k)."""
    starts, ends, notes = (columns.texts(name) for name in ("from", "to", "note"))
    for row, (start, end) in enumerate(zip(starts, ends, strict=True)):
        if not start or not end:
            columns.note(row, "from or to is empty")
        elif start == end:
            columns.note(row, f"runs from {start} to itself")
    columns.raise_problems()
    table = columns.table
    if correlation is None:
        correlation = np.ones((len(values), 1, 1))
    return tuple(
        BookedLink(
            kind,
            start,
            end,
            tuple(value),
            tuple(own),
            table.name,
            int(line),
            note,
            table.sha256,
            shared,
        )
        for start, end, value, own, line, note, shared in zip(
            starts, ends, values.tolist(), sd.tolist(), table.line, notes, correlation, strict=True
        )
    )
