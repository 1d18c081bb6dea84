"""The command line: read the options, call the library, choose the exit status.

Results go to standard output, talk to standard error. Exit status: 0 the site ties, 1 the
run is complete and something does not tie or must be decided, 2 the input or the call is
wrong and nothing was written. The library is imported inside the commands, so that help
comes at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tieup import __version__
from tieup.errors import OutputError, TieupError

if TYPE_CHECKING:
    from tieup.model.reconciliation import Reconciliation
    from tieup.write.audit_screen import Audited

TIES, DECIDE, WRONG = 0, 1, 2
SAMPLE = "sample_raw/fire_station"
FORMATS = ("pnezd", "landxml", "geojson", "gpkg", "dxf")
EXIT_STATUS = (
    "Exit status: 0 the site ties; 1 something does not tie or must be decided; "
    "2 the input or the call is wrong, nothing was written."
)

Command = TypeVar("Command", bound=Callable[..., Any])


def main() -> None:
    """Run the command line and leave with its exit status."""
    if not sys.warnoptions:
        import warnings

        warnings.simplefilter("ignore")  # numerical warnings mean nothing to a crew
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a name that the terminal cannot show is spelled out
            stream.reconfigure(errors="backslashreplace")
    sys.exit(outcome(sys.argv[1:]))


def outcome(arguments: list[str]) -> int:
    """Run one command and return its exit status; the one place where errors become text."""
    try:
        return int(commands.main(arguments, prog_name="tieup", standalone_mode=False) or TIES)
    except click.ClickException as error:
        error.show()
    except click.Abort:
        click.echo("Stopped. No results were written.", err=True)
    except TieupError as error:
        click.echo(str(error), err=True)
    except Exception as error:  # a fault of the tool: the user gets words, never a traceback
        click.echo(_fault(error), err=True)
    return WRONG


def _fault(error: Exception) -> str:
    """Say that the tool failed, and where in it."""
    import traceback

    frames = traceback.extract_tb(error.__traceback__)
    here = str(Path(__file__).parent)
    inside = [frame for frame in frames if frame.filename.startswith(here)] or list(frames)
    place = f"{Path(inside[-1].filename).name}:{inside[-1].lineno} {inside[-1].name}"
    detail = " ".join(f"{type(error).__name__} {error}".split())
    return (
        f"tieup failed at {place}: {detail}\n"
        "This is a fault of the tool, not of your data. No results were written.\n"
        "Report these lines together with the job folder; tieup --version names the version."
    )


def common(command: Command) -> Command:
    """Add the options that every command takes."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON."),
        click.option("--quiet", is_flag=True, help="Print nothing but errors."),
        click.option(
            "--out", metavar="DIR", type=click.Path(path_type=Path), help="Folder to write into."
        ),
    ):
        command = option(command)
    return command


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="tieup")
def commands() -> None:
    """Tie a day's instrument setups into one adjusted, proven coordinate file.

    Start with: tieup demo
    """


@commands.command(epilog=EXIT_STATUS)
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--also",
    multiple=True,
    type=click.Choice(FORMATS),
    help="Also write points and strings for another program; may be repeated.",
)
@click.option(
    "--unit",
    type=click.Choice(("m", "ft", "ftUS")),
    help="Unit of the files of --also, stated in them; else the job's own.",
)
@common
def reconcile(
    job: Path,
    out: Path | None,
    quiet: bool,
    as_json: bool,
    also: tuple[str, ...],
    unit: str | None,
) -> int:
    """Adjust the setups of JOB as one site: does it tie?

    JOB is a folder with a job.yaml. Results go to JOB/out unless --out names another folder.
    """
    if unit and not also:
        raise click.UsageError("--unit is for the files of --also, and there are none")
    target = out or job / "out"
    return _reconcile(job, target, quiet=quiet, as_json=as_json, also=also, unit=unit or "").status


@commands.command(epilog=EXIT_STATUS)
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--width", type=click.IntRange(36, 200), help="Columns of the screen.")
@common
def ties(job: Path, out: Path | None, quiet: bool, as_json: bool, width: int | None) -> int:
    """Say on one screen whether the bays of JOB tie, and what to shoot again.

    JOB is a folder with a job.yaml. Nothing is written unless --out names a folder.
    """
    import shutil

    from tieup.config import load_job
    from tieup.pipeline import run
    from tieup.write.folder import check_target, timestamp, write_results
    from tieup.write.ties_screen import ties_record, ties_text

    loaded = load_job(job)
    if out is not None:
        check_target(out, loaded)
    site = run(loaded, progress=None if quiet else _progress())
    if out is not None:
        write_results(site, out, written=timestamp())
    if site.answer is not None:
        columns = width or min(shutil.get_terminal_size((80, 40)).columns, 80)
        text = ties_text(site.answer, columns)
        _show(text, ties_record(site.answer), quiet=quiet, as_json=as_json)
    return site.status


AUDIT_STATUS = (
    "Exit status: 0 no rule is broken; 1 a rule is broken, or one of several jobs cannot be read; "
    "2 the input or the call is wrong, nothing was written."
)


@commands.command(epilog=AUDIT_STATUS)
@click.argument("jobs", metavar="JOB...", nargs=-1, required=True)
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
    _show(text, audits_record(audited, status), quiet=quiet, as_json=as_json)
    return status


@commands.command()
@click.argument("folder", metavar="DIR", required=False, type=click.Path(path_type=Path))
@common
def new(folder: Path | None, out: Path | None, quiet: bool, as_json: bool) -> int:
    """Start a job in DIR with commented files to fill in.

    Writes job.yaml, control.csv and a raw table. Nothing that is there already is touched.
    --out DIR names the folder as well.
    """
    from tieup.write.starter import write_starter

    target = folder or out
    if target is None or (folder and out):
        raise click.UsageError("name one folder for the new job: tieup new DIR")
    paths = [str(path) for path in write_starter(target)]
    text = "\n".join(
        [
            *(f"wrote {path}" for path in paths),
            f"Fill in job.yaml and control.csv, put the raw files into {target / 'raw'}, then:",
            f"  tieup reconcile {target}",
        ]
    )
    _show(text, {"folder": str(target), "files": paths}, quiet=quiet, as_json=as_json)
    return TIES


@commands.command()
@click.argument("folder", metavar="[DIR]", default="fire_station", type=click.Path(path_type=Path))
@common
def demo(folder: Path, out: Path | None, quiet: bool, as_json: bool) -> int:
    """Copy the sample job to DIR and reconcile it.

    DIR is ./fire_station unless named. Says where to look. A sample job that is there already
    is used as it stands. Exits 0 when it ran, whatever it found.
    """
    copied = _copy_sample(folder)
    target = out or folder / "out"
    _reconcile(folder, target, quiet=quiet, as_json=as_json)
    if not (quiet or as_json):
        start = "Sample job copied to" if copied else "Sample job was there already:"
        _say(
            f"{start} {folder}\n"
            f"Look at {target / 'findings.json'} for what is wrong and how to cure it. To decide,\n"
            f"add a line under decisions: in {folder / 'job.yaml'}, then: tieup reconcile {folder}"
        )
    return TIES


def _reconcile(
    folder: Path,
    out: Path,
    *,
    quiet: bool,
    as_json: bool,
    also: tuple[str, ...] = (),
    unit: str = "",
) -> Reconciliation:
    """Reconcile a job folder, write its results and show the first screen."""
    from tieup.config import load_job
    from tieup.pipeline import run
    from tieup.write.exchange.formats import Exchange
    from tieup.write.folder import check_target, timestamp, write_results
    from tieup.write.summary import summary_record, summary_text

    job, others = load_job(folder), Exchange(also, unit)
    check_target(out, job)
    others.check()
    site = run(job, progress=None if quiet else _progress())
    text, record = summary_text(site, out, others.names), summary_record(site, out, others.names)
    write_results(site, out, written=timestamp(), also=others)
    _show(text, record, quiet=quiet, as_json=as_json)
    return site


def _audit_each(jobs: tuple[str, ...], *, quiet: bool) -> list[Audited]:
    """Audit every job; one of several that cannot be read is reported among the others."""
    from tieup.write.audit_screen import Audited

    found: list[Audited] = []
    hidden = quiet or len(jobs) < 2 or not sys.stderr.isatty()
    with click.progressbar(jobs, file=sys.stderr, label="audit", hidden=hidden) as bar:
        for job in bar:
            try:
                found.append(_audit(job))
            except TieupError as error:
                found.append(Audited(job, "", "", None, error.problems))
    if all(job.audit is None for job in found):
        raise TieupError(*(problem for job in found for problem in job.problems))
    return found


def _audit(folder: str) -> Audited:
    """Audit one job folder."""
    from tieup.audit.audit import audit
    from tieup.audit.evidence import RawEvidence
    from tieup.config import load_job
    from tieup.config.rules import raw_data_rules
    from tieup.read import read_control, read_fieldbook
    from tieup.units import length_factor
    from tieup.write.audit_screen import Audited

    job = load_job(folder)
    control = read_control(job.control_file, job) if job.control_file else None
    evidence = RawEvidence(
        read_fieldbook(job), control, job.precision, job.refraction, job.angle_unit
    )
    rules = raw_data_rules().rules
    return Audited(
        folder, job.title, job.length_unit, audit(evidence, rules, length_factor(job.length_unit))
    )


def _write_audits(out: Path, jobs: tuple[str, ...], audited: list[Audited], status: int) -> None:
    """Write audit.csv and audit.json into a folder that holds nothing of a job."""
    from tieup.config import load_job
    from tieup.write.audit_screen import RESULT_COLUMNS, audits_record, results_table
    from tieup.write.documents import json_text
    from tieup.write.folder import check_target, write_set
    from tieup.write.tables import csv_text

    for name, job in zip(jobs, audited, strict=True):
        if job.audit is not None:
            check_target(out, load_job(name))
    table = csv_text(results_table(audited), RESULT_COLUMNS, "deg")
    record = json_text(audits_record(audited, status))
    write_set(out, [("audit.csv", table), ("audit.json", record)])


def _first_rows(jobs: tuple[str, ...], number: int, *, quiet: bool, as_json: bool) -> int:
    """Show the first rows of each raw file of each job."""
    from tieup.audit.preview import first_rows
    from tieup.config import load_job
    from tieup.read import read_fieldbook
    from tieup.write.audit_screen import rows_text

    texts, record = [], {}
    for name in jobs:
        job = load_job(name)
        table = first_rows(read_fieldbook(job), number, job.angle_unit, job.length_unit)
        texts.append(rows_text(table))
        record[name] = [
            dict(zip(table, cells, strict=True)) for cells in zip(*table.values(), strict=True)
        ]
    _show("\n".join(texts), {"rows": record}, quiet=quiet, as_json=as_json)
    return TIES


def _progress() -> Callable[[str], None] | None:
    """Return what shows the stage of a long run, None where nobody watches."""
    if not sys.stderr.isatty():
        return None
    return lambda stage: click.echo(f"\r\033[K{stage} ...\r", err=True, nl=False)


def _copy_sample(folder: Path) -> bool:
    """Copy the sample job; return False where one is there already, which is never changed."""
    if (folder / "job.yaml").is_file():
        return False
    import shutil

    from tieup.data import data_path

    if folder.exists():
        raise OutputError(f"{folder}: is there already. Name a new folder: tieup demo DIR")
    try:
        shutil.copytree(data_path(SAMPLE), folder, ignore=shutil.ignore_patterns("out"))
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        raise OutputError(f"{folder}: cannot be written ({error}). Name another folder") from error
    return True


def _show(text: str, record: dict[str, Any], *, quiet: bool, as_json: bool) -> None:
    """Print a result as text or as JSON, or not at all."""
    if quiet:
        return
    if as_json:
        from tieup.write.documents import json_text

        text = json_text(record)
    _say(text.rstrip("\n"))


def _say(text: str) -> None:
    """Print to standard output; a reader that has gone away is no error."""
    try:
        click.echo(text)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
