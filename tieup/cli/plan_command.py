"""The command `tieup plan`: what the sights are worth before they are measured."""

from __future__ import annotations

from pathlib import Path

import click

from tieup.cli.common import Folder, common, progress, show, writing

PLAN_STATUS = (
    "Exit status: 0 the plan holds: every mark within its limits and checked, every setup and "
    "joint would tie; 1 it does not; 2 the input or the call is wrong, nothing was written."
)


@click.command(epilog=PLAN_STATUS)
@click.argument("job", type=Folder(path_type=Path))
@click.option("--width", type=click.IntRange(36, 200), help="Columns of the screen.")
@common
def plan(job: Path, out: Path | None, quiet: bool, as_json: bool, width: int | None) -> int:
    """Predict how well the marks of JOB will be known, before the field or at noon.

    The sights are those that job.yaml names under plan:, those shot already, or both together.
    Says what a mistake could hide, which marks would be checked and which bays would tie, and
    which further sights would help most. Nothing is written unless --out names a folder:
    plan_points.csv, plan_sights.csv, plan_setups.csv, plan_joints.csv and plan.json go there.
    """
    import shutil

    from tieup.config import load_job
    from tieup.planning import forecast
    from tieup.write.folder import check_target
    from tieup.write.plan_files import RECORD, write_plan
    from tieup.write.plan_screen import plan_record, plan_text

    loaded = load_job(job, planning=True)
    if out is not None:
        check_target(out, loaded)
    found = forecast(loaded, progress=None if quiet else progress())
    if out is not None:
        writing(out / RECORD, found.answer.status)
        write_plan(found, out)
    columns = width or min(shutil.get_terminal_size((80, 40)).columns, 80)
    text = plan_text(found.answer, columns)
    show(text, plan_record(found.answer), quiet=quiet, as_json=as_json)
    return found.answer.status
