"""Whether the results of a job are there and are what a new run would write.

Decided by what run.json records: the version of the tool, the files for other programs that were
asked for, the sha256 of every input and of every file that was written. A doubt means no.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from tieup import __version__
from tieup.model.job import Job
from tieup.write.exchange.formats import Exchange
from tieup.write.folder import RUN_FILE
from tieup.write.target import file_hash


def is_done(job: Job, out: Path, others: Exchange) -> bool:
    """Return whether ``out`` holds the results of this job as it is now."""
    try:
        record = json.loads((out / RUN_FILE).read_text(encoding="utf-8"))
        return (
            record["version"] == __version__
            and record.get("exchange", {}) == others.asked
            and _same_inputs(job, record["inputs"])
            and _same_files(out, record)
        )
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return False


def input_files(job: Job) -> Iterator[Path]:
    """Yield every file that a run of this job reads, but what ships with the tool."""
    yield from job.raw_files
    named = (job.control_file, job.covariance_file, *job.link_files.values())
    yield from (path for path in named if path is not None)
    for wish in job.surfaces:
        if wish.against is not None and wish.against.file is not None:
            yield wish.against.file
    yield from (path for path in job.rules if path.is_relative_to(job.folder))


def _same_inputs(job: Job, recorded: Mapping[str, str]) -> bool:
    """Compare every input that was read, and look for one that is new."""
    if recorded["job.yaml"] != job.sha256:
        return False
    if not {job.name_of(path) for path in input_files(job)} <= set(recorded):
        return False
    others = {name: known for name, known in recorded.items() if name != "job.yaml"}
    return all(file_hash(job.folder / name) == known for name, known in others.items())


def _same_files(out: Path, record: Mapping[str, Any]) -> bool:
    """Return whether every file is there as it was written."""
    hashes: Mapping[str, str] = record["sha256"]
    return set(hashes) == set(record["files"]) - {RUN_FILE} and all(
        file_hash(out / name) == known for name, known in hashes.items()
    )
