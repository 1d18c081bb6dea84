"""The results of many jobs as three tables in Parquet: jobs, findings, ties.

Columns bear the names that they have in the files of a job (run.json, findings.json, ties.csv),
with ``job`` before them. A job that is done again takes the place of its rows, so that none
stands twice; rows of jobs that are not asked for stay. All tables are exchanged in one step.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import Any

from tieup import __version__
from tieup.errors import OutputError
from tieup.model.archived import JobRows
from tieup.write.archive_columns import (
    FINDING_COLUMNS,
    FINDINGS_FILE,
    JOB_COLUMNS,
    JOBS_FILE,
    TIES_FILE,
)
from tieup.write.columns import COUNT, TEXT, TIES
from tieup.write.documents import json_text
from tieup.write.folder import write_set
from tieup.write.meanings import EXTRA
from tieup.write.target import check_place, read_record, stale_files

RECORD = "archive.json"
FILES = (JOBS_FILE, FINDINGS_FILE, TIES_FILE)
TIE_COLUMNS = {**TIES, **EXTRA["ties.csv"]}
BATCH = 100  # jobs, whose rows are then held as columns


def check_results(folder: Path) -> None:
    """Raise OutputError where the library is missing, or results cannot go into a folder."""
    if find_spec("pyarrow") is None:
        raise OutputError(
            "--results: needs the library pyarrow, which is not installed. "
            'Install it: pip install "tieup[fleet]", or leave --results out'
        )
    target = check_place(folder)
    for above in (target, *target.parents):
        if (above / "job.yaml").exists():
            raise OutputError(
                f"{folder}: lies in the job folder {above}. The tables of many jobs go into a "
                "folder of their own: --results DIR"
            )
    try:
        stale_files(target, (*FILES, RECORD), read_record(target, RECORD))
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({_one_line(error)})") from error
    for file in FILES:
        _old(folder, file)


@dataclass
class ParquetTables:
    """Gathers the rows of jobs, and writes them beside those that a folder has already."""

    folder: Path
    rows: list[JobRows] = field(default_factory=list)
    parts: dict[str, list[Any]] = field(default_factory=lambda: {file: [] for file in FILES})
    any_result: bool = False

    def add(self, rows: JobRows) -> None:
        """Take the rows of one job."""
        self.rows.append(rows)
        self.any_result |= not rows.job.get("problems")
        if len(self.rows) >= BATCH:
            self._to_columns()

    def write(self) -> tuple[Path, ...]:
        """Write all tables, or none; return their paths: none where no job has a result.

        Raises
        ------
        OutputError
            The folder cannot be written, or what is in it is no table of this tool.
        """
        from pyarrow import compute

        if not self.any_result:
            return ()
        self._to_columns()
        done = _joined([schemas()[JOBS_FILE].empty_table(), *self.parts[JOBS_FILE]], self.folder)
        contents: list[tuple[str, bytes]] = []
        for file in FILES:
            parts = [schemas()[file].empty_table(), *self.parts[file]]
            if (old := _old(self.folder, file)) is not None:
                parts.append(old.filter(compute.invert(compute.is_in(old["job"], done["job"]))))
            contents.append((file, _parquet(_joined(parts, self.folder))))
        hashes = {file: hashlib.sha256(data).hexdigest() for file, data in contents}
        record = {"version": __version__, "files": [*FILES, RECORD], "sha256": hashes}
        write_set(self.folder, [*contents, (RECORD, json_text(record))], record=RECORD)
        return tuple(self.folder / file for file in FILES)

    def _to_columns(self) -> None:
        import pyarrow as pa

        made = {
            JOBS_FILE: [dict(rows.job) for rows in self.rows],
            FINDINGS_FILE: [row for rows in self.rows for row in _of_job(rows, rows.findings)],
            TIES_FILE: [row for rows in self.rows for row in _of_job(rows, _tie_rows(rows))],
        }
        for file, table in made.items():
            self.parts[file].append(pa.Table.from_pylist(table, schema=schemas()[file]))
        self.rows.clear()


@cache
def schemas() -> dict[str, Any]:
    """Return the columns of each table and their types."""
    import pyarrow as pa

    text, number, names = pa.string(), pa.float64(), pa.list_(pa.string())
    rival = {"kind": text, "setup": text, "points": names, "statistic": number,
             "separable": pa.bool_()}  # fmt: skip
    place = {"point": text, "story": text, "northing": number, "sd_northing": number,
             "easting": number, "sd_easting": number, "elevation": number,
             "sd_elevation": number}  # fmt: skip
    nested = {"points": names, "lines": names, "rivals": pa.list_(pa.struct(rival)),
              "places": pa.list_(pa.struct(place)), "decidable": pa.bool_()}  # fmt: skip

    def schema(columns: Mapping[str, str], own: Mapping[str, Any]) -> Any:
        plain = {TEXT: text, COUNT: pa.int64()}
        return pa.schema({n: own.get(n, plain.get(kind, number)) for n, kind in columns.items()})

    return {
        JOBS_FILE: schema(JOB_COLUMNS, {}),
        FINDINGS_FILE: schema(FINDING_COLUMNS, nested),
        TIES_FILE: schema({"job": TEXT, **TIE_COLUMNS}, {}),
    }


def _old(folder: Path, file: str) -> Any:
    """Return a table that an earlier run has written, None where there is none."""
    from pyarrow import parquet

    path = folder / file
    if file not in read_record(folder, RECORD).names or not path.exists():
        return None
    try:
        return parquet.read_table(path)
    except (OSError, ValueError) as error:  # those of the library are of these
        raise OutputError(
            f"{path}: cannot be read ({_one_line(error)}). Nothing was changed. "
            "Move it away, or name another folder: --results DIR"
        ) from error


def _of_job(rows: JobRows, table: Iterable[Any]) -> Iterator[dict[str, Any]]:
    job = rows.job["job"]
    return ({"job": job, **row} for row in table)


def _tie_rows(rows: JobRows) -> Iterator[dict[str, Any]]:
    """Yield the ties as they are printed, numbers as numbers, an empty cell as none."""
    kinds = {name: TIE_COLUMNS[name] for name in rows.ties if name in TIE_COLUMNS}
    columns = [_values(rows.ties[name], kind) for name, kind in kinds.items()]
    return (dict(zip(kinds, cells, strict=True)) for cells in zip(*columns, strict=True))


def _values(cells: Sequence[str], kind: str) -> Sequence[str | float | None]:
    return cells if kind == TEXT else [float(cell) if cell else None for cell in cells]


def _joined(parts: Sequence[Any], folder: Path) -> Any:
    """Put parts below each other, in the order of their jobs; what one lacks is empty there."""
    import pyarrow as pa
    from pyarrow import compute

    try:
        table = pa.concat_tables(parts, promote_options="default")
    except ValueError as error:
        raise OutputError(
            f"{folder}: holds tables with other columns ({_one_line(error)}). Nothing was changed. "
            "Name another folder: --results DIR"
        ) from error
    return table.take(compute.sort_indices(table["job"]))  # a stable sort


def _parquet(table: Any) -> bytes:
    from pyarrow import parquet

    stream = BytesIO()
    parquet.write_table(table, stream, compression="zstd")
    return stream.getvalue()


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())
