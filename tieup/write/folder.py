"""Write the set of result files into a folder: all of them, or nothing changes.

Everything is first written into a temporary folder beside the target. Then each file is
moved into place, and what it replaces is moved aside; on any failure all moves are undone.
Files of an earlier run that this run no longer writes are taken away in the same step, so
that old coordinates never lie beside new ones. Other files in the folder are left alone.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from errno import EISDIR
from functools import partial
from pathlib import Path

from tieup.errors import OutputError
from tieup.model.job import Job
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import TABLES
from tieup.write.dictionary import columns_text
from tieup.write.documents import findings_text, run_text
from tieup.write.exchange.formats import Exchange
from tieup.write.page import page_text
from tieup.write.tables import (
    coordinates_text,
    observations_text,
    setups_text,
    table_text,
    ties_text,
)

RUN_FILE = "run.json"

WRITERS: Mapping[str, Callable[[Reconciliation], str]] = {
    "coordinates.csv": coordinates_text,
    "observations.csv": observations_text,
    "setups.csv": setups_text,
    "ties.csv": ties_text,
    "findings.json": findings_text,
    "report.html": page_text,
    "columns.csv": columns_text,
}
"""File name -> what writes it. A new output is one module and one entry here."""


def writers_of(site: Reconciliation) -> dict[str, Callable[[Reconciliation], str]]:
    """Return what writes each file of a site: those of every job, and the tables it has."""
    tables = {
        name: partial(table_text, table=table, columns=columns)
        for name, (table, columns) in TABLES.items()
        if name not in WRITERS and getattr(site, table)
    }
    return {**WRITERS, **tables}


def write_results(
    site: Reconciliation, out: Path, *, written: str, also: Exchange | None = None
) -> tuple[Path, ...]:
    """Write every result file into ``out``; return their paths.

    Parameters
    ----------
    out
        Folder to write into; made where it does not exist.
    written
        The time of writing, ISO 8601, for run.json.
    also
        Files for other programs, written together with the results where they may leave.

    Raises
    ------
    OutputError
        ``out`` holds the job or its raw data, or cannot be written; nothing has changed.
    """
    check_target(out, site.job)
    others = also or Exchange()
    others.check()
    writers = writers_of(site)
    names = [*writers, *others.names(site), RUN_FILE]

    def contents() -> Iterator[tuple[str, str | bytes]]:
        for name, writer in writers.items():
            yield name, writer(site)
        yield from others.files(site, written)
        yield RUN_FILE, run_text(site, files=names, written=written)

    write_set(out, contents())
    return tuple(out / name for name in names)


def check_target(out: Path, job: Job) -> None:
    """Raise OutputError where writing into ``out`` would mix results with what was given."""
    target, home = out.resolve(), job.folder.resolve()
    if target == home or (target / "job.yaml").exists():
        raise OutputError(
            f"{out}: is a job folder. Results go into a folder of their own: --out {home / 'out'}"
        )
    raw = {file.resolve().parent for file in job.raw_files}
    lists = (job.control_file, job.plan_places, job.plan_sights)
    given = {file.resolve().parent for file in lists if file} - {home}
    if target in given or any(folder in (target, *target.parents) for folder in raw - {home}):
        raise OutputError(
            f"{out}: holds what the job was given, and raw data is never touched. "
            f"Name another folder: --out {home / 'out'}"
        )


def write_set(
    out: Path, contents: Iterable[tuple[str, str | bytes]], *, record: str = RUN_FILE
) -> None:
    """Write files (name and content each; text as UTF-8) into a folder, all or none.

    ``record`` is the file that lists what an earlier run of the same command wrote: files of
    other commands stay where they are.

    Raises
    ------
    OutputError
        The folder or a file in it cannot be written; nothing has changed.
    """
    target = out.resolve()
    made = _missing_folders(target)
    try:
        target.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{target.name}-", dir=target.parent) as spare:
            fresh, old = Path(spare, "new"), Path(spare, "old")
            fresh.mkdir()
            old.mkdir()
            for name, content in contents:
                data = content.encode() if isinstance(content, str) else content
                (fresh / name).write_bytes(data)
            _exchange(target, fresh, old, record)
    except OSError as error:
        _remove_empty(made)
        raise OutputError(_trouble(out, error)) from error
    except BaseException:
        _remove_empty(made)
        raise


def _exchange(target: Path, fresh: Path, old: Path, record: str) -> None:
    """Move new files in and old ones out; undo every move where one fails."""
    moves: list[tuple[Path, Path]] = []
    names = {file.name for file in fresh.iterdir()}
    try:
        for name in sorted(names | _earlier(target, record)):
            if (target / name).is_dir():
                raise IsADirectoryError(EISDIR, f"{name} is a folder")
            if (target / name).exists():
                _move(target / name, old / name, moves)
        for name in sorted(names):
            _move(fresh / name, target / name, moves)
    except BaseException:
        for source, destination in reversed(moves):
            destination.replace(source)
        raise


def _move(source: Path, destination: Path, moves: list[tuple[Path, Path]]) -> None:
    source.replace(destination)
    moves.append((source, destination))


def _earlier(target: Path, record: str) -> set[str]:
    """Return the names of the files an earlier run wrote here, as its record lists them."""
    try:
        listed = json.loads((target / record).read_text(encoding="utf-8"))["files"]
        names = {str(name) for name in listed}
    except (OSError, ValueError, KeyError, TypeError):
        return set()
    return {name for name in names if name == Path(name).name and (target / name).is_file()}


def _missing_folders(target: Path) -> list[Path]:
    """Return the folders that must be made for ``target`` to exist, innermost first."""
    return [folder for folder in (target, *target.parents) if not folder.exists()]


def _remove_empty(folders: Iterable[Path]) -> None:
    for folder in folders:
        if folder.is_dir() and not any(folder.iterdir()):
            shutil.rmtree(folder)


def _trouble(out: Path, error: OSError) -> str:
    """Say what kept the results from being written."""
    reason = error.strerror or str(error)
    return (
        f"{out}: cannot be written ({reason.lower()}). Nothing was changed. "
        "Close files of this folder that are open elsewhere, free some disk, "
        "or name another folder: --out DIR"
    )


def timestamp() -> str:
    """Return the time now, UTC, ISO 8601: for run.json, and read nowhere else."""
    return datetime.now(UTC).isoformat(timespec="seconds")
