"""The command `tieup surface`: does it drain, and what can be built on it."""

from __future__ import annotations

from pathlib import Path

import click

from tieup.cli.common import Folder, common, progress, show, writing

SURFACE_STATUS = (
    "Exit status, as of tieup reconcile: 0 the site ties, its falls pass, every surface drains and "
    "keeps its limits; 1 something does not, or cannot be told; 2 the input or the call is wrong, "
    "nothing was written."
)


@click.command(epilog=SURFACE_STATUS)
@click.argument("job", type=Folder(path_type=Path))
@click.option("--width", type=click.IntRange(36, 200), help="Columns of the screen.")
@common
def surface(job: Path, out: Path | None, quiet: bool, as_json: bool, width: int | None) -> int:
    """Say on one screen whether the surfaces of JOB drain, and what is not proved.

    JOB is a folder with a job.yaml. Its surfaces are those under surfaces:; without any, one is
    made of all strings, side shots and derived points, and water leaves over its edge. Nothing is
    written unless --out names a folder: all result files go there.
    """
    import shutil

    from tieup.config import load_job
    from tieup.pipeline import run, with_surface
    from tieup.write.folder import RUN_FILE, check_target, timestamp, write_results
    from tieup.write.surface_screen import surface_record, surface_text

    loaded = with_surface(load_job(job))
    if out is not None:
        check_target(out, loaded)
    site = run(loaded, progress=None if quiet else progress())
    columns = width or min(shutil.get_terminal_size((80, 40)).columns, 80)
    text, record = surface_text(site, columns), surface_record(site)
    if out is not None:
        writing(out / RUN_FILE, site.status)
        paths = write_results(site, out, written=timestamp())
        text += f"Written to {out}: {len(paths)} files, the surfaces as surface_*.csv\n"
        record["written"] = [str(path) for path in paths]
    show(text, record, quiet=quiet, as_json=as_json)
    return site.status
