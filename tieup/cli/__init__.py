"""The command line: read the options, call the library, choose the exit status.

Results go to standard output, talk to standard error. Exit status: 0 the site ties, and the falls
and surfaces of job.yaml pass, 1 the run is complete and something does not, is not proved or must
be decided, 2 the input or the call is wrong and nothing was written. The library is imported
inside the commands, so that help comes at once.
"""

from __future__ import annotations

import gc
import sys
from contextlib import suppress
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tieup import __version__
from tieup.cli.audit_command import audit
from tieup.cli.common import (
    TIES,
    WRONG,
    Folder,
    Writing,
    common,
    fault,
    frames_inside,
    open_what_is_closed,
    progress,
    say,
    show,
    stop_as_by_hand,
    tell,
    unprinted,
    writing,
)
from tieup.cli.explain_command import explain
from tieup.cli.plan_command import plan
from tieup.cli.several_jobs import are_several, means_of, reconcile_several, spreading
from tieup.cli.surface_command import surface
from tieup.errors import OutputError, TieupError

if TYPE_CHECKING:
    from tieup.model.reconciliation import Reconciliation
    from tieup.write.exchange.formats import Exchange

# Hardly anything here refers to itself, and looking through all that is alive takes long.
RARELY = 200_000, 20, 100
SAMPLE = "sample_raw/fire_station"
FORMATS = ("pnezd", "landxml", "geojson", "gpkg", "dxf")
ROLES = ("control", "tie", "shot", "station", "derived")
PROOFS = ("held", "checked", "unchecked")
EXIT_STATUS = (
    "Exit status: 0 the site ties, and the falls and surfaces of job.yaml pass; 1 something does "
    "not, is not proved or must be decided; 2 the input or the call is wrong, nothing was written."
)
SEVERAL_STATUS = f"{EXIT_STATUS} Of several jobs the worst: 1 also where one could not be read or "
SEVERAL_STATUS += "solved, 2 where none could, or where the run was cut short."


def main() -> None:
    """Run the command line and leave with its exit status."""
    if not sys.warnoptions:
        import warnings

        warnings.simplefilter("ignore")  # numerical warnings mean nothing to a crew
    gc.set_threshold(*RARELY)
    open_what_is_closed()
    stop_as_by_hand()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a name that the terminal cannot show is spelled out
            stream.reconfigure(errors="backslashreplace")
    sys.exit(outcome(sys.argv[1:]))


def outcome(arguments: list[str]) -> int:
    """Run one command and return its exit status; the one place where errors become text.

    Whatever happens once the results are written: they are, and the status is theirs.
    """
    results = Writing()
    try:
        status = commands.main(arguments, "tieup", standalone_mode=False, obj=results)
        return int(status or TIES)
    except click.ClickException as error:
        with suppress(OSError):
            error.show()
    except SystemExit as error:  # the reader of help or version has gone away
        if frames_inside(error):
            raise
        return results.status if results.done else TIES
    except (click.Abort, KeyboardInterrupt):
        tell(f"Stopped. {results.words}")
    except TieupError as error:
        tell(f"{error} {results.words}" if results.done else str(error))
    except Exception as error:  # a fault of the tool: the user gets words, never a traceback
        if isinstance(error, OSError) and not frames_inside(error):  # help or version
            tell(unprinted(error))
        else:
            tell(fault(error, results.words))
    return results.status if results.done else WRONG


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="tieup")
def commands() -> None:
    """Tie a day's instrument setups into one adjusted, proven coordinate file.

    Start with: tieup demo
    """


@commands.command(epilog=SEVERAL_STATUS)
@click.argument("jobs", metavar="JOB...", nargs=-1, required=True, type=Folder(path_type=Path))
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
@click.option(
    "--role",
    "roles",
    multiple=True,
    type=click.Choice(ROLES),
    help="Only points of this role in the files of --also; may be repeated.",
)
@click.option("--code", "codes", multiple=True, help="Only points of this code, likewise.")
@click.option(
    "--proof",
    "proofs",
    multiple=True,
    type=click.Choice(PROOFS),
    help="Only points of this proof, likewise.",
)
@click.option(
    "--point",
    "points",
    metavar="NAME",
    multiple=True,
    help="Also this point, whatever it is: an instrument, a disputed one.",
)
@click.option(
    "--draft",
    is_flag=True,
    help="Write the files of --also though the site does not tie; they then say so.",
)
@click.option(
    "--results",
    metavar="DIR",
    type=Folder(path_type=Path),
    help="Also write jobs, findings and ties of all jobs as tables in Parquet.",
)
@spreading
@common
def reconcile(
    jobs: tuple[Path, ...],
    workers: int | None,
    scheduler: str | None,
    results: Path | None,
    out: Path | None,
    quiet: bool,
    as_json: bool,
    also: tuple[str, ...],
    unit: str | None,
    draft: bool,
    **asked: tuple[str, ...],
) -> int:
    """Adjust the setups of JOB as one site: does it tie?

    JOB is a folder with a job.yaml. Results go to JOB/out unless --out names another folder.
    Files of --also are not written while the site does not tie, unless --draft.

    Several jobs, or a folder that holds some, give one line each, the worst first; those that are
    done and unchanged are skipped: tieup explain archive.
    """
    from tieup.write.exchange.export_selection import Selection
    from tieup.write.exchange.formats import Exchange

    for name, given in (("unit", unit), ("draft", draft), *asked.items()):
        if given and not also:
            option = f"--{name.removesuffix('s')}"
            raise click.UsageError(f"{option} is for the files of --also, and there are none")
    others = Exchange(also, unit or "", draft, Selection(**asked))
    if are_several(jobs) or workers or scheduler or results:
        if out is not None:
            raise click.UsageError("--out is for one job: each of several has its own out/")
        means = means_of(workers, scheduler)
        return reconcile_several(jobs, others, means, results, quiet=quiet, as_json=as_json)
    target = out or jobs[0] / "out"
    return _reconcile(jobs[0], target, quiet=quiet, as_json=as_json, others=others).status


@commands.command(epilog=EXIT_STATUS)
@click.argument("job", type=Folder(path_type=Path))
@click.option("--width", type=click.IntRange(36, 200), help="Columns of the screen.")
@common
def ties(job: Path, out: Path | None, quiet: bool, as_json: bool, width: int | None) -> int:
    """Say on one screen whether the bays of JOB tie, and what to shoot again.

    JOB is a folder with a job.yaml. Nothing is written unless --out names a folder.
    """
    import shutil

    from tieup.config import load_job
    from tieup.pipeline import run
    from tieup.write.folder import RUN_FILE, check_target, timestamp, write_results
    from tieup.write.ties_screen import ties_record, ties_text

    loaded = load_job(job)
    if out is not None:
        check_target(out, loaded)
    site = run(loaded, progress=None if quiet else progress())
    if out is not None:
        writing(out / RUN_FILE, site.status)
        write_results(site, out, written=timestamp())
    if site.answer is not None:
        columns = width or min(shutil.get_terminal_size((80, 40)).columns, 80)
        text = ties_text(site.answer, columns)
        show(text, ties_record(site.answer), quiet=quiet, as_json=as_json)
    return site.status


@commands.command()
@click.argument("folder", metavar="DIR", required=False, type=Folder(path_type=Path))
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
    writing(target / "job.yaml", TIES)
    paths = [str(path) for path in write_starter(target)]
    text = "\n".join(
        [
            *(f"wrote {path}" for path in paths),
            f"Fill in job.yaml and control.csv, put the raw files into {target / 'raw'}",
            "(day1.csv there is a table to type into; it is skipped as long as it is empty), then:",
            f"  tieup reconcile {target}",
        ]
    )
    show(text, {"folder": str(target), "files": paths}, quiet=quiet, as_json=as_json)
    return TIES


@commands.command()
@click.argument("folder", metavar="[DIR]", default="fire_station", type=Folder(path_type=Path))
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
        say(
            f"{start} {folder}\n"
            f"Open {target / 'report.html'} for what is wrong and how to put it right. To\n"
            f"decide, copy a line from there into {folder / 'job.yaml'}, below decisions:, then:\n"
            f"  tieup reconcile {folder}"
        )
    return TIES


def _reconcile(
    folder: Path,
    out: Path,
    *,
    quiet: bool,
    as_json: bool,
    others: Exchange | None = None,
) -> Reconciliation:
    """Reconcile a job folder, write its results and show the first screen."""
    from tieup.library.reconciled_job import reconciled_job
    from tieup.write.exchange.formats import Exchange
    from tieup.write.folder import RUN_FILE
    from tieup.write.reconcile_screen import summary_record, summary_text

    others = others or Exchange()
    shown: list[tuple[str, dict[str, Any], str]] = []

    def before_writing(site: Reconciliation) -> None:
        names, refusal = others.names(site), others.refusal(site)
        text = summary_text(site, out, names, others.remark(site))
        record = summary_record(site, out, names) | {"exchange": others.record(site)}
        shown.append((text, record, refusal))
        writing(out / RUN_FILE, site.status)

    watcher = None if quiet else progress()
    site = reconciled_job(folder, out, others, progress=watcher, before_writing=before_writing)
    text, record, refusal = shown[0]
    show(text, record, quiet=quiet, as_json=as_json)
    if refusal and (quiet or as_json):
        tell(refusal)
    return site


def _copy_sample(folder: Path) -> bool:
    """Copy the sample job; return False where one is there already, which is never changed."""
    import shutil

    from tieup.data import data_path
    from tieup.write.staging import clear_leftovers, staged

    try:
        clear_leftovers(folder.resolve())
        if (folder / "job.yaml").is_file():
            return False
        if folder.exists():
            raise OutputError(f"{folder}: is there already. Name a new folder: tieup demo DIR")
        with staged(folder.resolve()) as stage:
            ignore = shutil.ignore_patterns("out")
            shutil.copytree(data_path(SAMPLE), stage.new, ignore=ignore, dirs_exist_ok=True)
            stage.exchange([path.name for path in stage.new.iterdir()], ())
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error}). Name another folder") from error
    return True


commands.add_command(audit)
commands.add_command(plan)
commands.add_command(surface)
commands.add_command(explain)
