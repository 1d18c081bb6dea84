"""Which job folders are meant by those that a call names, and in which order they are done."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from tieup.config.load_job import JOB_FILE, control_job


def job_folders(named: Sequence[Path]) -> tuple[Path, ...]:
    """Return the job folders that are named, each once, in the order in which they are named.

    A folder that is no job and holds some, at any depth, stands for those, by their names. One
    that is no job and holds none stays in the list: it is reported as what it is.
    """
    found: dict[Path, Path] = {}
    for folder in named:
        for job in _meant(folder):
            found.setdefault(whole_path(job), job)
    return tuple(found.values())


def holds_jobs(folder: Path) -> bool:
    """Return whether a folder is no job and holds some."""
    return not (folder / JOB_FILE).exists() and next(_below(folder), None) is not None


def in_turns(folders: Sequence[Path]) -> Iterator[tuple[int, ...]]:
    """Yield the numbers of the jobs that can be done at once, turn by turn.

    A job that takes the marks of another one (``control: {job: DIR}``) reads what that one has
    written, so its turn comes later. Jobs that wait for each other come last.
    """
    number = {whole_path(folder): k for k, folder in enumerate(folders)}
    needs: Mapping[int, int | None] = {
        k: None if (source := control_job(folder)) is None else number.get(source)
        for k, folder in enumerate(folders)
    }
    waiting, done = list(needs), set[int | None]((None,))
    while waiting:
        ready = [k for k in waiting if needs[k] in done] or waiting
        yield tuple(ready)
        done.update(ready)
        waiting = [k for k in waiting if k not in done]


def _meant(folder: Path) -> list[Path]:
    if (folder / JOB_FILE).exists():
        return [folder]
    return list(_below(folder)) or [folder]


def _below(folder: Path) -> Iterator[Path]:
    """Yield the job folders below a folder; what lies in a job folder is that job's."""
    for place, folders, files in os.walk(folder):
        if JOB_FILE in files:
            folders.clear()
            yield Path(place)
        folders[:] = sorted(name for name in folders if not name.startswith("."))


def whole_path(folder: Path) -> Path:
    """Return the whole path of a folder, links followed; as it is where that is impossible."""
    try:
        return folder.resolve()
    except (OSError, ValueError, RuntimeError):
        return folder
