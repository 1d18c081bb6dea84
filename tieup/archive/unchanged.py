"""Whether the results of a job are there and are what a new run would write.

Decided by what run.json records: the version of the tool, the files for other programs that were
asked for, the sha256 of every input and of every file that was written. A doubt means no.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path

from tieup import __version__
from tieup.config.load_job import JOB_FILE
from tieup.model.job import Job
from tieup.read.covariance_reader import proofs_beside
from tieup.read.nothing import is_empty_template
from tieup.write.exchange.formats import Exchange
from tieup.write.folder import RUN_FILE
from tieup.write.target import file_hash, read_record


def is_done(job: Job, out: Path, others: Exchange) -> bool:
    """Return whether ``out`` holds the results of this job as it is now.

    No file is opened because run.json names it elsewhere: it may be anybody's.
    """
    known = read_record(out, RUN_FILE)
    if not known.names:
        return False
    try:
        record = json.loads((out / RUN_FILE).read_text(encoding="utf-8"))
        return (
            record["version"] == __version__
            and record.get("exchange", {}) == others.asked
            and _same_inputs(job, record["inputs"])
            and set(known.sha256) == known.names - {RUN_FILE}
            and all(_is(out / name, sha256) for name, sha256 in known.sha256.items())
        )
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return False


def input_files(job: Job) -> Iterator[Path]:
    """Yield every file whose content a run of this job takes, but what ships with the tool."""
    yield from (path for path in job.raw_files if not is_empty_template(path))
    named = (
        job.control_file, proofs_beside(job), job.covariance_file, *job.link_files.values()
    )  # fmt: skip
    yield from (path for path in named if path is not None)
    for wish in job.surfaces:
        if wish.against is not None and wish.against.file is not None:
            yield wish.against.file
    yield from (path for path in job.rules if path.is_relative_to(job.folder))


def _same_inputs(job: Job, recorded: Mapping[str, str]) -> bool:
    files = {job.name_of(path): path for path in input_files(job)}
    return (
        set(recorded) == {JOB_FILE, *files}
        and recorded[JOB_FILE] == job.sha256
        and all(_is(path, recorded[name]) for name, path in files.items())
    )


def _is(path: Path, sha256: str) -> bool:
    """Return whether there is a file of this content; a pipe or a device is none."""
    return path.is_file() and file_hash(path) == sha256
