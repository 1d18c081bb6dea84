"""One job of many, as a worker does it: it always ends with a line, never with an error."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf
from pathlib import Path

from tieup import __version__
from tieup.archive.read_back import archived_job, job_key
from tieup.archive.unchanged import is_done
from tieup.config import load_job
from tieup.errors import EngineError, TieupError, place_of
from tieup.library.audit_result import audited
from tieup.library.reconciled_job import reconciled_job
from tieup.model.archived import ERROR, ArchivedJob, JobRows
from tieup.threads import one_thread
from tieup.write.audit_screen import Audited
from tieup.write.exchange.formats import Exchange
from tieup.write.folder import RUN_FILE

OUT = "out"
WRONG = 2  # what a run of such a job alone exits with


@dataclass(frozen=True)
class Commission:
    """One job to be reconciled: how it was called, where it is, what is wanted besides.

    ``with_rows``: its rows are wanted for the tables. ``began``: when the run over all jobs began,
    s since 1970. What was written later was not done before: a worker of this run, killed since,
    has written it. ``version`` is that of whoever asks: a worker of another one would write other
    results.
    """

    name: str
    folder: Path
    others: Exchange = field(default_factory=Exchange)
    with_rows: bool = False
    began: float = inf
    version: str = __version__


def reconciled(asked: Commission) -> ArchivedJob:
    """Reconcile a job into its own folder of results, unless that is done already."""
    try:
        with one_thread():
            return _reconciled(asked)
    except Exception as error:  # one job must not take the others with it
        return without_result(asked, problems_of(error))


def raw_audited(name: str) -> Audited:
    """Audit the raw rows of a job."""
    try:
        with one_thread():
            return audited(name)[0]
    except Exception as error:
        return Audited(name, "", "", None, problems_of(error))


def without_result(asked: Commission, problems: tuple[str, ...]) -> ArchivedJob:
    """Return the line of a job that could not be read, solved or written."""
    row = {"job": job_key(asked.folder), "status": WRONG, "problems": "\n".join(problems)}
    rows = JobRows(row) if asked.with_rows else None
    return ArchivedJob(asked.name, WRONG, ERROR, problems, rows=rows)


def problems_of(error: Exception) -> tuple[str, ...]:
    """Say what kept a job from being done."""
    if isinstance(error, TieupError):
        return error.problems
    return (f"tieup failed at {place_of(error)}. This is a fault of the tool, not of the data",)


def _reconciled(asked: Commission) -> ArchivedJob:
    if asked.version != __version__:
        raise EngineError(f"its worker has tieup {__version__}, and {asked.version} was asked for")
    job, out, others = load_job(asked.folder), asked.folder / OUT, asked.others
    there = is_done(job, out, others)
    if not there:
        reconciled_job(asked.folder, out, others)
    skipped = there and (out / RUN_FILE).stat().st_mtime < asked.began
    return archived_job(asked.name, job, out, others, skipped=skipped, with_rows=asked.with_rows)
