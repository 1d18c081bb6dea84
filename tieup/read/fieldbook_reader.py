"""Read all raw files of a job into one field book.

Puts the files together: setups with labels unique on the site, points numbered, rows that
repeat an earlier one marked, and the fate of every row kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import compress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.errors import InputError
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.fieldbook import Fieldbook, InvalidRow, Setup, Shots
from tieup.model.job import BY_FILE, BY_JOB, BY_SETUP, Job
from tieup.model.observations import KINDS
from tieup.model.settings import DEFAULT_INSTRUMENT
from tieup.read.beside import tables_beside
from tieup.read.file_rows import FileRows
from tieup.read.landxml_reader import is_landxml, read_landxml
from tieup.read.native import read_native
from tieup.read.nothing import empty_fieldbook, is_empty_template
from tieup.read.numbered_texts import text_codes
from tieup.read.repeats import originals
from tieup.read.setup_separation import (
    Levellings,
    find_levellings,
    label_setups,
    merge_copies,
)

_TEXTS = ("role", "target", "code", "string", "note")
_NUMBERS = (
    "direction",
    "zenith",
    "distance",
    "target_height",
    "prism_constant",
    "temperature",
    "pressure",
    "time",
)
_FLAGS = ("level", "azimuth")
_FIELD = ("field_northing", "field_easting", "field_elevation")


def read_fieldbook(job: Job) -> Fieldbook:
    """Read every raw file of a job.

    Raises
    ------
    InputError
        A file cannot be read or trusted, or names an instrument that job.yaml does not
        have; the problems of all files at once.
    """
    files: list[FileRows] = []
    problems: list[str] = []
    skipped = [path for path in job.raw_files if is_empty_template(path)]
    for path in (path for path in job.raw_files if path not in skipped):
        try:
            files.append(_read_file(path, job))
        except InputError as error:
            problems.extend(error.problems)
    if skipped and not files and not problems:
        problems += [_unfilled(path, job) for path in skipped]
    if problems:
        raise InputError(*problems)
    book = assemble(files, job) if files else empty_fieldbook()
    skipped_names = tuple(job.name_of(path) for path in skipped)
    return replace(book, skipped=skipped_names, beside=tables_beside(job))


def _unfilled(path: Path, job: Job) -> str:
    return (
        f"{job.name_of(path)}: no shot stands in it, and there is no other raw file. Put the raw "
        f"files into {path.parent}, or fill it in"
    )


def _read_file(path: Path, job: Job) -> FileRows:
    name = job.name_of(path)
    return read_landxml(path, name, job) if is_landxml(path) else read_native(path, name, job)


def assemble(files: Sequence[FileRows], job: Job) -> Fieldbook:
    """Put the rows of all files (one at least) together into one field book.

    Raises
    ------
    InputError
        A row names an instrument that job.yaml does not have.
    """
    site = _Rows.of(files)
    levellings = find_levellings(site.file, site.values, site.trusted, site.files)
    _check_instruments(levellings, site, job)
    if job.azimuths == BY_SETUP:
        site = _turned(site, levellings)
    basis = _bases(site, job.azimuths)
    original = _repeats(site, levellings)
    setup, setups = _site_setups(levellings, original, site.valid)
    point, points = _site_points(site)
    return Fieldbook(
        files=tuple(rows.raw for rows in files),
        setups=label_setups(setups),
        points=points,
        shots=replace(_shots(site, setup, point, original), basis=basis[site.valid]),
        invalid=tuple(row for i, rows in enumerate(files) for row in _apart(i, rows, rows.reasons)),
        unknown_columns=_unknown_columns(files),
        unused=tuple(row for i, rows in enumerate(files) for row in _apart(i, rows, rows.unused)),
        absent=tuple(column for rows in files for column in rows.absent),
    )


@dataclass(frozen=True)
class _Rows:
    """The rows of all files, one after another; arrays of shape (R,)."""

    files: tuple[str, ...]
    file: IntArray
    line: IntArray
    values: Mapping[str, NDArray[Any]]
    valid: BoolArray
    trusted: BoolArray
    observed: BoolArray

    @classmethod
    def of(cls, files: Sequence[FileRows]) -> _Rows:
        lengths = [len(rows.line) for rows in files]
        observed: BoolArray = np.concatenate([rows.observed for rows in files])
        valid = [np.ones(length, dtype=bool) for length in lengths]
        for mask, rows in zip(valid, files, strict=True):
            mask[[*rows.reasons, *rows.unused]] = False
        return cls(
            files=tuple(rows.raw.name for rows in files),
            file=np.repeat(np.arange(len(files)), lengths),
            line=np.concatenate([rows.line for rows in files]),
            values={
                name: np.concatenate([rows.values[name] for rows in files])
                for name in files[0].values
            },
            valid=np.concatenate(valid),
            trusted=np.concatenate([rows.trusted for rows in files]),
            observed=np.logical_or.reduce(observed, axis=1),
        )


def _turned(site: _Rows, levellings: Levellings) -> _Rows:
    """Return the rows with azimuths as circle readings: each setup's has a turn of its own.

    Raises
    ------
    InputError
        A setup has both: they cannot share one turn.
    """
    azimuth = site.values["azimuth"].astype(bool) & site.valid
    read = np.isfinite(site.values["direction"]) & ~azimuth & site.valid
    both = np.intersect1d(levellings.of_row[azimuth], levellings.of_row[read])
    problems = []
    for number in both.tolist():
        row = int(np.flatnonzero(azimuth & (levellings.of_row == number))[0])
        problems.append(
            f"{site.files[site.file[row]]}:{site.line[row]}: setup "
            f"{levellings.setups[number].name} has directions and azimuths, and azimuths: setup "
            "in job.yaml gives them one turn. Give the azimuths a setup of their own, or say "
            "azimuths: grid"
        )
    if problems:
        raise InputError(*problems)
    none = np.zeros(len(azimuth), dtype=bool)
    return replace(site, values={**site.values, "azimuth": none})


def _bases(site: _Rows, azimuths: str) -> IntArray:
    """Number the basis of bearings (R,) of every azimuth, -1 where it runs from grid north."""
    given = site.values["azimuth"].astype(bool) & site.valid
    basis = np.full(len(given), -1, dtype=np.int64)
    if azimuths == BY_JOB:
        basis[given] = 0
    elif azimuths == BY_FILE:
        basis[given] = np.unique(site.file[given], return_inverse=True)[1].reshape(-1)
    return basis


def _check_instruments(levellings: Levellings, site: _Rows, job: Job) -> None:
    known = job.precision.instruments
    strange = {s.instrument for s in levellings.setups if s.instrument not in known}
    problems = []
    for name in sorted(strange - {DEFAULT_INSTRUMENT}):
        row = int(np.flatnonzero(site.values["instrument"] == name)[0])
        problems.append(
            f"{site.files[site.file[row]]}:{site.line[row]}: instrument {name} is not under "
            f"instruments: in job.yaml, which has {', '.join(known)}. Add it there with its "
            "precision, or correct the cell"
        )
    if problems:
        raise InputError(*problems)


def _repeats(site: _Rows, levellings: Levellings) -> IntArray:
    """Return for each row the earlier row it repeats, or its own number."""
    # Rows without a setup are not able; they point at the first identity and do no harm.
    identity = levellings.identity[np.maximum(levellings.of_row, 0)]
    numbers = [
        site.values[name].astype(np.float64)
        for name in (*_NUMBERS, *_FLAGS, "face", "round", *_FIELD)
    ]
    alike = originals([identity, *numbers], site.valid & site.observed)
    # Texts are numbered only for the few rows whose numbers agree.
    later = np.flatnonzero(alike != np.arange(len(alike)))
    able = np.zeros_like(site.valid)
    able[later] = able[alike[later]] = True
    columns = [alike]
    for name in ("point", *_TEXTS):
        codes = np.zeros_like(alike)
        codes[able] = text_codes(site.values[name][able])[0]
        columns.append(codes)
    return originals(columns, able)


def _site_setups(
    levellings: Levellings, original: IntArray, valid: BoolArray
) -> tuple[IntArray, tuple[Setup, ...]]:
    """Number the setups that valid rows are in, copies taken together with their originals."""
    of_row = merge_copies(levellings, original)[levellings.of_row[valid]]
    used = np.unique(of_row)
    return np.searchsorted(used, of_row), tuple(levellings.setups[i] for i in used)


def _site_points(site: _Rows) -> tuple[IntArray, tuple[str, ...]]:
    """Number the points of the valid rows."""
    code, names = text_codes(site.values["point"])
    used = np.zeros(len(names), dtype=bool)
    used[code[site.valid]] = True
    return (np.cumsum(used) - 1)[code[site.valid]], tuple(compress(names, used))


def _shots(site: _Rows, setup: IntArray, point: IntArray, original: IntArray) -> Shots:
    kept = {name: column[site.valid] for name, column in site.values.items()}
    return Shots(
        file=site.file[site.valid],
        line=site.line[site.valid],
        setup=setup,
        point=point,
        face=kept["face"].astype(np.int64),
        round=kept["round"].astype(np.int64),
        field_coordinates=np.column_stack([kept[name] for name in _FIELD]),
        repeated=(original != np.arange(len(original)))[site.valid],
        **{name: kept[name] for name in (*_NUMBERS, *_FLAGS, *_TEXTS)},
    )


def _apart(number: int, rows: FileRows, reasons: Mapping[int, str]) -> Iterator[InvalidRow]:
    """Yield the rows that are no shots, with the reason of each."""
    for row, reason in reasons.items():
        yield InvalidRow(
            file=number,
            line=int(rows.line[row]),
            setup=rows.values["setup"][row],
            point=rows.values["point"][row],
            kinds=tuple(compress(KINDS, rows.observed[row])),
            reason=reason,
        )


def _unknown_columns(files: Sequence[FileRows]) -> dict[str, tuple[str, ...]]:
    names = dict.fromkeys(name for rows in files for name in rows.unknown)
    return {name: tuple(rows.raw.name for rows in files if name in rows.unknown) for name in names}
