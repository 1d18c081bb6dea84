"""Every file that a run reads or writes, with its columns or keys as the code has them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cache

from tieup.explain.document_entries import FINDINGS_DOCUMENT, finding_keys, run_keys
from tieup.explain.entry import Entry, facts_of, unit_words
from tieup.explain.pages import FILES, LIST_COLUMNS, named, rows
from tieup.read.list_columns import LISTS
from tieup.read.raw_columns import COLUMNS, REQUIRED
from tieup.write.archive_columns import TIES_FILE
from tieup.write.exchange.formats import FORMATS
from tieup.write.exchange.pnezd import COLUMNS as POINT_COLUMNS
from tieup.write.folder import RUN_FILE
from tieup.write.meanings import MEANINGS
from tieup.write.reference import tables

RAW_TABLES = "raw/*.csv"
ALIKE = {TIES_FILE: "ties.csv"}  # a table of many jobs: that of a job, with the job in front


def file_entries() -> Iterator[Entry]:
    """Yield every file by its usual name, then every column of the lists that a job may have."""
    for cell, written, read, says in rows(FILES):
        for name in named(cell):
            facts = facts_of(written_by=_plain(written), read_by=_plain(read), **_holds(name))
            yield Entry(name, "file", says, facts)
    for key, cell, unit, says in rows(LIST_COLUMNS):
        for column in named(cell):
            sort = f"column of {list_file(key)}"
            yield Entry(column, sort, says, facts_of(unit=unit_words(unit)))


def list_file(key: str) -> str:
    """Return the usual name of a list."""
    return f"{key}.csv"


@cache
def written_columns() -> Mapping[str, tuple[str, ...]]:
    """Return the columns of every table that is written, by file."""
    found = {
        file: tuple(dict.fromkeys((*kinds, *MEANINGS.get(file, {}))))
        for file, kinds in tables().items()
    }
    alike = {file: ("job", *found[other]) for file, other in ALIKE.items()}
    return {**found, **alike, FORMATS["pnezd"][0]: tuple(POINT_COLUMNS)}


def _holds(name: str) -> dict[str, str]:
    """Return what a file holds: its columns, or its keys."""
    read = {list_file(key): (head.needed, head.possible) for key, head in LISTS.items()}
    read[RAW_TABLES] = REQUIRED, tuple(column for column in COLUMNS if column not in REQUIRED)
    keys = {FINDINGS_DOCUMENT: finding_keys(), RUN_FILE: run_keys()}
    if name in read:
        needed, possible = read[name]
        return {"columns": _listed(needed), "it may have": _listed(possible)}
    if name in keys:
        return {"keys": _listed(keys[name])}
    return {"columns": _listed(written_columns().get(name, ()))}


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names)


def _plain(cell: str) -> str:
    return cell.replace("`", "")
