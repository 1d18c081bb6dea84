"""Which folder results may go into, and which files in it are tieup's to replace.

A record (run.json, plan.json, audit.json) lists what a run wrote, itself among it, with the sha256
of all others; it says whose the files are. Nothing else is ever replaced or taken away.
"""

from __future__ import annotations

import hashlib
import json
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from errno import EISDIR
from pathlib import Path

from tieup.errors import OutputError
from tieup.model.job import Job

LARGEST_RECORD = 64_000_000  # bytes; settings and decisions of a very large job are far below


def check_target(out: Path, job: Job) -> None:
    """Raise OutputError where writing into ``out`` would mix results with what was given."""
    target, home = check_place(out), job.folder.resolve()
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


def check_place(out: Path) -> Path:
    """Return the whole path of a folder to write into.

    Raises
    ------
    OutputError
        It is a link, the top of a disk, or no possible name.
    """
    try:
        target = out.resolve()
        if out.is_symlink():
            raise OutputError(
                f"{out}: is a link, and results are not written through one. "
                f"Name the folder itself: --out {target}"
            )
        (target / "job.yaml").exists()
    except (OSError, ValueError, RuntimeError) as error:
        raise OutputError(
            f"{out}: is no folder to write into ({error}). Name another one: --out DIR"
        ) from error
    if target == target.parent:
        raise OutputError(
            f"{out}: is the top of a disk. Results go into a folder of their own: --out DIR"
        )
    return target


@dataclass(frozen=True)
class Record:
    """What an earlier run wrote: names, and the sha256 of all but the record itself."""

    names: frozenset[str] = frozenset()
    sha256: Mapping[str, str] = field(default_factory=dict)


def read_record(folder: Path, name: str) -> Record:
    """Return what the record of a folder says; an empty one where it is not tieup's.

    Only a plain file is read: a pipe would never end.
    """
    path = folder / name
    try:
        facts = path.lstat()
        if not stat.S_ISREG(facts.st_mode) or facts.st_size > LARGEST_RECORD:
            return Record()
        document = json.loads(path.read_text(encoding="utf-8"))
        listed, hashes = document["files"], document.get("sha256", {})
        names = {str(one) for one in listed}
        known = {str(key): str(value) for key, value in hashes.items()}
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return Record()
    own = names - known.keys() == {name} and all(one == Path(one).name for one in names)
    return Record(frozenset(names), known) if own else Record()


def stale_files(target: Path, names: Iterable[str], record: Record) -> set[str]:
    """Return the files of an earlier run that go, since ``names`` are written now.

    Raises
    ------
    OutputError
        A file is in the way that tieup did not write, or that was changed since.
    """
    wanted = set(names)
    foreign = sorted(name for name in wanted - record.names if _there(target / name))
    if foreign:
        raise OutputError(
            f"{target / foreign[0]}: was not written by tieup, as far as its record says, and is "
            "left alone. Nothing was changed. Move it away, or name another folder: --out DIR"
        )
    stale = {name for name in record.names - wanted if (target / name).is_file()}
    changed = sorted(n for n in stale if file_hash(target / n) != record.sha256.get(n, ""))
    if changed:
        raise OutputError(
            f"{target / changed[0]}: is of an earlier run, does not belong to this one, and is not "
            "as the record of that run has it, so it is left alone. Nothing was changed. "
            "Move it away, or name another folder: --out DIR"
        )
    return stale


def file_hash(path: Path) -> str:
    """Return the sha256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _there(path: Path) -> bool:
    """Return whether something bears this name; a folder is refused as one."""
    if path.is_dir() and not path.is_symlink():
        raise IsADirectoryError(EISDIR, f"{path.name} is a folder")
    return path.exists() or path.is_symlink()
