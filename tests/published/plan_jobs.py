"""Jobs of sights in plan, written from a few lines, run by the library."""

from __future__ import annotations

from pathlib import Path

import tieup
from tieup.library.reconcile_result import Result

GEAR = "instruments: {default: {direction: 5, zenith: 5, distance: [3, 2]}}\n"
NO_CENTRING = "centring: {instrument: 0, target: 0}\n"


def plan_job(
    folder: Path, rows: str, control: str, *, angle: str = "dms", length: str = "m", more: str = ""
) -> Path:
    """Write a job: ``rows`` of one raw table with its header, ``control`` without one."""
    (folder / "raw").mkdir(parents=True)
    limits = "tolerances: {horizontal: 1, elevation: 1}"
    (folder / "job.yaml").write_text(
        f"units: {{angle: {angle}, length: {length}}}\n{limits}\n{more}", encoding="utf-8"
    )
    (folder / "raw" / "a.csv").write_text(rows, encoding="utf-8")
    if control:
        text = f"point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation\n{control}"
        (folder / "control.csv").write_text(text, encoding="utf-8")
    return folder


def reconciled(folder: Path, rows: str, control: str, **options: str) -> Result:
    """Return the result of such a job."""
    return tieup.reconcile(plan_job(folder, rows, control, **options))


def places(result: Result) -> dict[str, tuple[float, float]]:
    """Return northing and easting of each point."""
    table = result.coordinates
    return dict(
        zip(table["point"], zip(table["northing"], table["easting"], strict=True), strict=True)
    )
