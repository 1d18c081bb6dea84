"""The command `tieup audit`: raw rows alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tieup.cli.common import DECIDE, TIES, Folder, common, show, writing
from tieup.cli.several_jobs import all_jobs, are_several, audit_several, means_of, spreading

if TYPE_CHECKING:
    from tieup.write.audit_screen import Audited

AUDIT_STATUS = (
    "Exit status: 0 no rule is broken; 1 a rule is broken, or one of several jobs cannot be read; "
    "2 the input or the call is wrong, nothing was written."
)


@click.command(epilog=AUDIT_STATUS)
@click.argument("jobs", metavar="JOB...", nargs=-1, required=True, type=Folder())
@click.option(
    "--rows",
    metavar="N",
    type=click.IntRange(1),
    help="Only show the first N rows of each raw file as they are understood.",
)
@spreading
@common
def audit(
    jobs: tuple[str, ...],
    rows: int | None,
    workers: int | None,
    scheduler: str | None,
    out: Path | None,
    quiet: bool,
    as_json: bool,
) -> int:
    """Check the raw rows of each JOB alone, no solution needed.

    Are they whole, in order and in the units that are stated; what do two faces, rounds and
    closing looks say? Several jobs, or a folder that holds some, give one table, the worst first.
    Nothing is written unless --out names a folder: audit.csv and audit.json go there.
    """
    from tieup.library.audit_result import audited as audited_job
    from tieup.model.rules import FAIL
    from tieup.write.audit_screen import UNREADABLE, audit_text, audits_record, summary_text

    means = means_of(workers, scheduler)
    named = [Path(job) for job in jobs]
    if several := bool(workers or scheduler) or are_several(named):
        jobs = tuple(map(str, all_jobs(named)))
    if rows:
        return _first_rows(jobs, rows, quiet=quiet, as_json=as_json)
    audited = audit_several(jobs, means, quiet=quiet) if several else [audited_job(jobs[0])[0]]
    status = DECIDE if {job.state for job in audited} & {FAIL, UNREADABLE} else TIES
    if out:
        _write_audits(out, jobs, audited, status)
    text = summary_text(audited) if several else audit_text(audited[0])
    show(text, audits_record(audited, status), quiet=quiet, as_json=as_json)
    return status


def _write_audits(out: Path, jobs: tuple[str, ...], audited: list[Audited], status: int) -> None:
    """Write audit.csv and audit.json into a folder that holds nothing of a job."""
    from tieup.config import load_job
    from tieup.write.audit_files import RECORD, write_audits
    from tieup.write.folder import check_target

    for name, job in zip(jobs, audited, strict=True):
        if job.audit is not None:
            check_target(out, load_job(name))
    writing(out / RECORD, status)
    write_audits(out, audited, status)


def _first_rows(jobs: tuple[str, ...], number: int, *, quiet: bool, as_json: bool) -> int:
    """Show the first rows of each raw file of each job."""
    from tieup.audit.preview import first_rows
    from tieup.config import load_job
    from tieup.read import read_fieldbook
    from tieup.write.audit_screen import rows_text

    texts, record = [], {}
    for name in jobs:
        job = load_job(name)
        book = read_fieldbook(job)
        table = first_rows(book, number, job.angle_unit, job.length_unit)
        texts.append(rows_text(table, book.absent))
        record[name] = [
            dict(zip(table, cells, strict=True)) for cells in zip(*table.values(), strict=True)
        ]
    show("\n".join(texts), {"rows": record}, quiet=quiet, as_json=as_json)
    return TIES
