"""Tables that lie among raw files and are not read: no pattern of job.yaml meets them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from tieup.model.job import Job

SUFFIXES = (".csv", ".txt", ".tsv", ".dat", ".xml", ".xlsx")  # in any case: what tables end with
OF_OTHERS = (".", "~")  # what hidden files, and those that an open workbook leaves, begin with
DEEPEST = 3  # folders below that of a raw file


def tables_beside(job: Job) -> tuple[str, ...]:
    """Return the names of the tables in folders of raw files that nothing in job.yaml names."""
    folders = {path.parent for path in job.raw_files} - {job.folder}
    named = {path for path in vars(job).values() if isinstance(path, Path)}
    against = (wish.against for wish in job.surfaces if wish.against is not None)
    named |= {*job.raw_files, *job.rules, *(one.file for one in against if one.file is not None)}
    found = {path for folder in folders for path in _tables(folder, 0)} - named
    return tuple(sorted(job.name_of(path) for path in found))


def _tables(folder: Path, depth: int) -> Iterator[Path]:
    """Give the tables of a folder and of those in it, without following links."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:  # it cannot be looked into
        return
    for entry in entries:
        if entry.name.startswith(OF_OTHERS) or entry.is_symlink():
            continue
        if entry.is_dir():
            if depth < DEEPEST:
                yield from _tables(Path(entry.path), depth + 1)
        elif entry.name.lower().endswith(SUFFIXES) and entry.is_file():
            yield Path(entry.path)
