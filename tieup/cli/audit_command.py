"""The command `tieup audit`: raw rows alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tieup.cli.common import DECIDE, TIES, Folder, common, show, writing
from tieup.errors import TieupError

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
@common
def audit(
    jobs: tuple[str, ...], rows: int | None, out: Path | None, quiet: bool, as_json: bool
) -> int:
    """Check the raw rows of each JOB alone, no solution needed.

    Are they whole, in order and in the units that are stated; what do two faces, rounds and
    closing looks say? Several jobs give one table. Nothing is written unless --out names a
    folder: audit.csv and audit.json go there.
    """
    from tieup.model.rules import FAIL
    from tieup.write.audit_screen import UNREADABLE, audit_text, audits_record, summary_text

    if rows:
        return _first_rows(jobs, rows, quiet=quiet, as_json=as_json)
    audited = _audit_each(jobs, quiet=quiet)
    status = DECIDE if {job.state for job in audited} & {FAIL, UNREADABLE} else TIES
    if out:
        _write_audits(out, jobs, audited, status)
    text = audit_text(audited[0]) if len(audited) == 1 else summary_text(audited)
    show(text, audits_record(audited, status), quiet=quiet, as_json=as_json)
    return status


def _audit_each(jobs: tuple[str, ...], *, quiet: bool) -> list[Audited]:
    """Audit every job; one of several that cannot be read is reported among the others."""
    from tieup.library.audit_result import audited
    from tieup.write.audit_screen import Audited

    found: list[Audited] = []
    hidden = quiet or len(jobs) < 2 or sys.stderr is None or not sys.stderr.isatty()
    with click.progressbar(jobs, file=sys.stderr, label="audit", hidden=hidden) as bar:
        for job in bar:
            try:
                found.append(audited(job)[0])
            except TieupError as error:
                found.append(Audited(job, "", "", None, error.problems))
    if all(job.audit is None for job in found):
        raise TieupError(*(problem for job in found for problem in job.problems))
    return found


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
