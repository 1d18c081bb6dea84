"""Write the set of result files into a folder: all of them, or nothing changes.

Everything is first written into a stage beside the target, which then takes its place
(`tieup.write.staging`). Files of an earlier run that this run no longer writes are taken away in
the same step, so that old coordinates never lie beside new ones. Other files in the folder are
left alone (`tieup.write.target`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from functools import partial
from hashlib import sha256
from itertools import chain
from pathlib import Path

from tieup.errors import OutputError
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import TABLES
from tieup.write.dictionary import columns_text
from tieup.write.documents import findings_text, run_text
from tieup.write.exchange.formats import Exchange
from tieup.write.page import page_text
from tieup.write.staging import staged
from tieup.write.surface_tables import surface_writers
from tieup.write.tables import (
    coordinates_text,
    observations_text,
    setups_text,
    table_text,
    ties_text,
)
from tieup.write.target import check_place, check_target, read_record, stale_files

__all__ = ["check_target", "timestamp", "write_results", "write_set", "writers_of"]

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
    return {**WRITERS, **tables, **surface_writers(site)}


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
        hashes: dict[str, str] = {}
        made = ((name, writer(site)) for name, writer in writers.items())
        for name, content in chain(made, others.files(site, written)):
            data = content.encode() if isinstance(content, str) else content
            hashes[name] = sha256(data).hexdigest()
            yield name, data
        asked = others.asked
        yield (
            RUN_FILE,
            run_text(site, files=names, written=written, hashes=hashes, exchange=asked),
        )

    write_set(out, contents())
    return tuple(out / name for name in names)


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
    target = check_place(out)
    try:
        with staged(target) as stage:
            names = []
            for name, content in contents:
                data = content.encode() if isinstance(content, str) else content
                (stage.new / name).write_bytes(data)
                names.append(name)
            with stage.alone():
                stale = stale_files(target, names, read_record(target, record))
                stage.exchange(names, stale, record)
    except OSError as error:
        raise OutputError(_trouble(out, error)) from error


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
