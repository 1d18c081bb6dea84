"""Which job folders are meant by those that a call names, and in which order they are done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from tieup.config.load_job import JOB_FILE, control_job


def job_folders(named: Sequence[Path]) -> tuple[Path, ...]:
    """Return the job folders that are named, each once, in the order in which they are named.

    A folder that is no job and holds some stands for those, by their names. One that is no job
    and holds none stays in the list: it is reported as what it is.
    """
    found: dict[Path, Path] = {}
    for folder in named:
        for job in jobs_in(folder) or (folder,):
            found.setdefault(whole_path(job), job)
    return tuple(found.values())


def jobs_in(folder: Path) -> tuple[Path, ...]:
    """Return the jobs that a folder holds which is none itself; those in its folders do not count.

    A name that cannot be a folder's holds none.
    """
    try:
        if (folder / JOB_FILE).exists():
            return ()
        inner = sorted(path for path in folder.iterdir() if not path.name.startswith("."))
        return tuple(path for path in inner if (path / JOB_FILE).is_file())
    except (OSError, ValueError):
        return ()


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


def whole_path(folder: Path) -> Path:
    """Return the whole path of a folder, links followed; as it is where that is impossible."""
    try:
        return folder.resolve()
    except (OSError, ValueError, RuntimeError):
        return folder
