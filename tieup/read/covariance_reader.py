"""Read the covariance of known coordinates: covariance.csv of an earlier job, or one like it.

A row for each two coordinates that are correlated, in either order, and one for each with itself:
its variance, and its value. What has no row is not correlated. Rows of variance 0 are coordinates
that are held.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import FloatArray
from tieup.model.control import Control, Correlated
from tieup.model.job import Job
from tieup.model.point_words import DISPUTED, UNCHECKED
from tieup.read.form import TableFormat
from tieup.read.text_table import Table, read_table
from tieup.units import JOB_LENGTH_UNITS, length_factor, parse_numbers

COORDINATES = ("northing", "easting", "elevation")
COLUMNS = (
    "point", "coordinate", "with_point", "with_coordinate", "unit", "value", "covariance",
)  # fmt: skip
PROOFS = "coordinates.csv"  # beside the covariance, of the same run
SAME = 1e-3  # m; values that differ by more are not of the same mark
LEAST = 1e-12  # of a correlation matrix: an eigenvalue below this is none


@dataclass(frozen=True)
class Stated:
    """What the file states: ``names`` (k,), their coordinates (k, 3) and covariance (3k, 3k).

    In m and m^2; NaN and 0 where a coordinate has no row.
    """

    table: Table
    names: tuple[str, ...]
    coordinates: FloatArray
    covariance: FloatArray

    @property
    def sd(self) -> FloatArray:
        """Return the sds (k, 3) in m, NaN where there is no coordinate."""
        sd = np.sqrt(np.diagonal(self.covariance)).reshape(-1, 3)
        return np.where(np.isfinite(self.coordinates), sd, np.nan)

    def of(self, names: tuple[str, ...]) -> Stated:
        """Return the same of some marks."""
        rows = np.array([self.names.index(name) for name in names], dtype=np.int64)
        at = (3 * rows[:, None] + np.arange(3)).ravel()
        return replace(
            self,
            names=names,
            coordinates=self.coordinates[rows],
            covariance=self.covariance[np.ix_(at, at)],
        )


def read_covariance(path: Path, name: str) -> Stated:
    """Read the file.

    Raises
    ------
    InputError
        It is no such file, says something twice, or its matrix is no covariance.
    """
    table = read_table(path, name, TableFormat(around=None))
    missing = [column for column in COLUMNS if column not in table.header]
    if missing:
        raise InputError(
            f"{name}:{table.header_line}: has no column {missing[0]}. Expected covariance.csv as "
            f"tieup writes it: {', '.join(COLUMNS)}"
        )
    cells = {column: table.columns[table.header.index(column)] for column in COLUMNS}
    factor, covariance = _factors(table, cells["unit"]), _numbers(table, cells, "covariance")
    ends = _ends(table, cells["point"], cells["coordinate"])
    others = _ends(table, cells["with_point"], cells["with_coordinate"])
    own = [row for row, end in enumerate(ends) if end == others[row]]
    names = tuple(dict.fromkeys(ends[row][0] for row in own))
    number = {name: place for place, name in enumerate(names)}
    place = {ends[row]: 3 * number[ends[row][0]] + COORDINATES.index(ends[row][1]) for row in own}
    values = _numbers(table, cells, "value", own)
    coordinates = np.full(3 * len(names), np.nan)
    matrix = np.full((3 * len(names),) * 2, np.nan)
    for row, pair in enumerate(zip(ends, others, strict=True)):
        open_ = next((end for end in pair if end not in place), None)
        if open_:
            raise InputError(f"{table.where(row)}: {' '.join(open_)} has no row with its variance")
        one, two = place[pair[0]], place[pair[1]]
        if np.isfinite(matrix[one, two]):
            raise InputError(f"{table.where(row)}: this covariance is there already")
        matrix[one, two] = matrix[two, one] = covariance[row] * factor[row] ** 2
        if one == two:
            coordinates[one] = values[row] * factor[row]
    matrix = np.nan_to_num(matrix)
    known = np.isfinite(coordinates)
    _refuse_indefinite(table, matrix[np.ix_(known, known)])
    return Stated(table, names, coordinates.reshape(-1, 3), matrix)


def _factors(table: Table, unit: list[str]) -> FloatArray:
    wrong = [row for row, text in enumerate(unit) if text not in JOB_LENGTH_UNITS]
    if wrong:
        raise InputError(
            f'{table.where(wrong[0])}: unit "{unit[wrong[0]]}" is none of '
            f"{', '.join(JOB_LENGTH_UNITS)}"
        )
    return np.array([length_factor(text) for text in unit])


def _numbers(
    table: Table, cells: Mapping[str, list[str]], column: str, rows: Sequence[int] | None = None
) -> FloatArray:
    """Return a column of numbers; those of ``rows``, all by default, must be there."""
    values, bad = parse_numbers(cells[column])
    for row in range(len(table)) if rows is None else rows:
        if np.isnan(values[row]):
            told = bad.get(row, "is empty")
            raise InputError(
                f'{table.where(row)}: {column} "{cells[column][row]}" {told}. Expected a number'
            )
    return values


def _ends(table: Table, points: list[str], coordinates: list[str]) -> list[tuple[str, str]]:
    for row, (name, which) in enumerate(zip(points, coordinates, strict=True)):
        if not name or which not in COORDINATES:
            raise InputError(
                f'{table.where(row)}: point "{name}", coordinate "{which}". Expected a name and '
                f"one of {', '.join(COORDINATES)}"
            )
    return list(zip(points, coordinates, strict=True))


def _refuse_indefinite(table: Table, matrix: FloatArray) -> None:
    """Refuse a matrix that is no covariance of coordinates that anything holds."""
    variance = np.diagonal(matrix)
    free = variance > 0.0
    sd = np.sqrt(np.where(free, variance, 1.0))
    correlation = matrix / sd[:, None] / sd
    inside = correlation[np.ix_(free, free)]
    stray = np.abs(matrix[~free]).max(initial=0.0) > 0.0
    least = np.linalg.eigvalsh(inside)[0] if free.any() else 1.0
    if (variance < 0.0).any() or stray or least < LEAST * max(int(free.sum()), 1):
        raise InputError(
            f"{table.name}: the covariance is not positive definite, so no weights follow from "
            "it. Was it cut or edited, or is it that of a free job, whose coordinates are known "
            "but for a shift and a turn? Hold that job to control, with sds, and run it again"
        )


def proofs_beside(job: Job) -> Path | None:
    """Return the table in which another job says what it checked; None where there is none."""
    if not job.control_job or job.control_file is None:
        return None
    beside = job.control_file.with_name(PROOFS)
    return beside if beside.is_file() else None


def job_control(path: Path, job: Job) -> Control:
    """Read another job's marks with their covariance as the control of this one.

    Raises
    ------
    InputError
        The file is none, or lacks a mark that job.yaml asks for.
    """
    name = job.name_of(path)
    stated = read_covariance(path, name)
    wanted = job.control_table.get("marks")
    if isinstance(wanted, list):
        strange = [mark for mark in wanted if mark not in stated.names]
        if strange:
            raise InputError(
                *(
                    f"{name}: has no mark {mark} (control.marks). Look in the file"
                    for mark in strange
                )
            )
        stated = stated.of(tuple(mark for mark in stated.names if mark in wanted))
    beside = proofs_beside(job)
    proofs = None if beside is None else read_table(beside, job.name_of(beside), TableFormat())
    unproved = set() if proofs is None else _unproved(proofs)
    points = stated.table.columns[stated.table.header.index("point")]
    line = [int(stated.table.line[points.index(mark)]) for mark in stated.names]
    return Control(
        file=name,
        names=stated.names,
        coordinates=stated.coordinates,
        sd=stated.sd,
        line=np.array(line, dtype=np.int64),
        notes=("",) * len(stated.names),
        sha256=stated.table.sha256,
        correlated=Correlated(np.arange(len(stated.names)), stated.covariance),
        from_file="" if proofs is None else proofs.name,
        from_sha256="" if proofs is None else proofs.sha256,
        unproved=tuple(mark for mark in stated.names if mark in unproved),
    )


def _unproved(table: Table) -> set[str]:
    """Return the points that a table of coordinates calls unchecked or disputed."""
    if not {"point", "proof"} <= set(table.header):
        return set()
    points, proofs = (table.columns[table.header.index(name)] for name in ("point", "proof"))
    return {p for p, proof in zip(points, proofs, strict=True) if proof in (UNCHECKED, DISPUTED)}


def with_covariance(control: Control, path: Path, job: Job) -> Control:
    """Return a control list with the covariance that a file states of its coordinates.

    The sds of the file take the place of the list's. Marks that the list does not have drop out:
    what is left of a covariance is the covariance of the rest.

    Raises
    ------
    InputError
        The file does not belong to the list: it has none of its marks, or other coordinates.
    """
    name = job.name_of(path)
    stated = read_covariance(path, name)
    strange = tuple(mark for mark in stated.names if mark not in control.names)
    if len(strange) == len(stated.names):
        some = ", ".join(strange[:5])
        raise InputError(
            f"{name}: does not belong to {control.file}, which has none of its marks ({some}). "
            "Check the names, or name the list that it was written with"
        )
    stated = stated.of(tuple(mark for mark in stated.names if mark not in strange))
    rows = np.array([control.names.index(mark) for mark in stated.names], dtype=np.int64)
    gap = np.abs(control.coordinates[rows] - stated.coordinates)
    listed = np.isfinite(stated.coordinates)
    wrong = listed & ~(gap <= SAME)
    if wrong.any():
        mark, which = (int(part[0]) for part in np.nonzero(wrong))
        has, given = control.coordinates[rows[mark], which], stated.coordinates[mark, which]
        factor = length_factor(job.length_unit)
        raise InputError(
            f"{name}: does not belong to {control.file}: {COORDINATES[which]} of "
            f"{stated.names[mark]} is {given / factor:.4f} {job.length_unit} here and "
            f"{has / factor:.4f} in the list. Check the units and which list it was written with"
        )
    sd = control.sd.copy()
    sd[rows] = np.where(listed, stated.sd, sd[rows])
    return replace(
        control,
        sd=sd,
        correlated=Correlated(rows, stated.covariance),
        from_file=name,
        from_sha256=stated.table.sha256,
        unlisted=strange,
    )
