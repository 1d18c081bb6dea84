"""What `tieup reconcile` and `tieup audit` share over several jobs: options, bar, exit status."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tieup.cli.common import DECIDE, Command, show
from tieup.errors import EngineError, EngineLostError, OutputError, TieupError
from tieup.sentences import counted

if TYPE_CHECKING:
    from tieup.archive.distribute import Means
    from tieup.archive.parquet_tables import ParquetTables
    from tieup.model.archived import ArchivedJob
    from tieup.write.audit_screen import Audited
    from tieup.write.exchange.formats import Exchange

MOST_WORKERS = 256
KEPT = "What is done is kept: the same command goes on from there."


def spreading(command: Command) -> Command:
    """Add the options that say who works on several jobs."""
    for option in (
        click.option(
            "--scheduler",
            metavar="ADDRESS",
            help="Work on a running engine of dask.distributed, as tcp://10.0.0.5:8786.",
        ),
        click.option(
            "--workers",
            metavar="N",
            type=click.IntRange(1, MOST_WORKERS),
            help="Work on N jobs at a time, each in a process of its own.",
        ),
    ):
        command = option(command)
    return command


def are_several(folders: Sequence[Path]) -> bool:
    """Return whether more than one job is meant: several folders, or one that holds jobs."""
    from tieup.archive.job_folders import jobs_in

    return len(folders) > 1 or bool(jobs_in(folders[0]))


def all_jobs(folders: Sequence[Path]) -> tuple[Path, ...]:
    """Return every job that is meant, each once."""
    from tieup.archive.job_folders import job_folders

    return job_folders(folders)


def means_of(workers: int | None, scheduler: str | None) -> Means:
    """Return who works on several jobs."""
    from tieup.archive.dask_engine import check_engine
    from tieup.archive.distribute import Means

    if workers and scheduler:
        raise click.UsageError("name --workers or --scheduler, not both")
    if scheduler is not None:
        check_engine()
    return Means(workers or 1, scheduler or "")


def reconcile_several(
    named: Sequence[Path],
    others: Exchange,
    means: Means,
    results: Path | None,
    *,
    quiet: bool,
    as_json: bool,
) -> int:
    """Reconcile every job that is named and say what came of each; return the exit status."""
    from tieup.archive.parquet_tables import ParquetTables, check_results
    from tieup.write.archive_screen import archive_record, archive_text

    others.check()
    if results is not None:
        check_results(results)
    tables = None if results is None else ParquetTables(results)
    trouble: OutputError | None = None
    written: tuple[Path, ...] = ()
    try:
        jobs = _each(all_jobs(named), others, means, tables, quiet=quiet)
    finally:  # also of a run that is cut short
        if tables is not None:
            try:
                written = tables.write()
            except OutputError as error:
                trouble = error
    status = max(DECIDE if job.problems else job.status for job in jobs)
    text = archive_text(jobs, written)
    show(text, archive_record(jobs, status, written), quiet=quiet, as_json=as_json)
    if trouble is not None:
        raise trouble
    return status


def _each(
    folders: Sequence[Path],
    others: Exchange,
    means: Means,
    tables: ParquetTables | None,
    *,
    quiet: bool,
) -> list[ArchivedJob]:
    """Reconcile each job, its rows into ``tables``; raise TieupError where none can be run."""
    from tieup.archive.many_jobs import reconcile_each

    found: dict[int, ArchivedJob] = {}
    with (
        _cut_short(len(folders), found, KEPT),
        _bar("reconcile", len(folders), quiet) as bar,
        closing(reconcile_each(folders, others, means, with_rows=tables is not None)) as jobs,
    ):
        for number, job in jobs:
            if tables is not None and job.rows is not None:
                tables.add(job.rows)
            found[number] = replace(job, rows=None)
            bar.update(1)
    ordered = [found[number] for number in sorted(found)]
    _tell_problems([(job.name, job.problems) for job in ordered], quiet=quiet)
    return ordered


def audit_several(jobs: Sequence[str], means: Means, *, quiet: bool) -> list[Audited]:
    """Audit every job; one of several that cannot be read is reported among the others."""
    from tieup.archive.many_jobs import audit_each

    found: dict[int, Audited] = {}
    with (
        _cut_short(len(jobs), found),
        _bar("audit", len(jobs), quiet) as bar,
        closing(audit_each([Path(job) for job in jobs], means)) as audits,
    ):
        for number, job in audits:
            found[number] = job
            bar.update(1)
    ordered = [found[number] for number in sorted(found)]
    _tell_problems([(job.job, job.problems) for job in ordered], quiet=quiet)
    return ordered


@contextmanager
def _cut_short(number: int, found: Mapping[int, Any], kept: str = "") -> Iterator[None]:
    """Say of a run that is stopped, or whose engine is lost, how far it came.

    More jobs may be done than have been reported: what reports them was lost.
    """
    try:
        yield
    except (EngineLostError, KeyboardInterrupt) as error:
        what = str(error) if isinstance(error, EngineLostError) else "Stopped"
        text = f"{what}, with {len(found):,} of {counted(number, 'job')} reported as done. {kept}"
        raise EngineError(text.rstrip()) from error


def _bar(label: str, number: int, quiet: bool) -> Any:
    """Return a progress bar that shows where somebody watches several jobs."""
    hidden = quiet or number < 2 or sys.stderr is None or not sys.stderr.isatty()
    return click.progressbar(length=number, file=sys.stderr, label=label, hidden=hidden)


def _tell_problems(jobs: Sequence[tuple[str, Sequence[str]]], *, quiet: bool) -> None:
    """Raise TieupError where there is nothing but jobs with problems; say them where all is quiet.

    Else they stand in the table of the jobs.
    """
    told = [f"{name}: {problem}" for name, problems in jobs for problem in problems]
    if all(problems for _, problems in jobs):
        raise TieupError(*told)
    if quiet and told:
        click.echo("\n".join(told), err=True)
