"""Two known marks that contradict each other: one is named, and the site lies near the grid."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import tieup
from tieup.library.reconciled_job import reconciled_job
from tieup.write.exchange.formats import Exchange

TRUE = {"CP1": (1000, 1000, 50.0), "CP2": (1005, 1120, 51.2), "T1": (1030, 1030, 50.2)}
TRUE |= {"T2": (1035, 1085, 50.9), "T3": (1070, 1045, 50.4)}
SETUPS = {"S1": (1020, 1050, 51.6), "S2": (1045, 1100, 52.6)}
ZERO = {"S1": 33.0, "S2": 251.0}  # azimuth of the circle's zero, deg
HEADER = "setup,point,direction,zenith,distance,target_height\n"


def job(folder: Path, wrong: tuple[float, float, float], more: str = "") -> Path:
    """Write a job of two setups, read exactly, with CP2 listed ``wrong`` (m) off its place."""
    rows = HEADER + more
    for setup, axis in SETUPS.items():
        for point, place in TRUE.items():
            north, east, up = np.subtract(place, axis) + np.array([0.0, 0.0, 1.5])
            level = float(np.hypot(north, east))
            direction = (np.degrees(np.arctan2(east, north)) - ZERO[setup]) % 360.0
            zenith = np.degrees(np.arctan2(level, up))
            rows += f"{setup},{point},{direction:.6f},{zenith:.6f},{np.hypot(level, up):.5f},1.5\n"
    listed = "".join(
        f"{name},{','.join(f'{v:.4f}' for v in np.add(TRUE[name], off))}\n"
        for name, off in (("CP1", (0, 0, 0)), ("CP2", wrong))
    )
    (folder / "raw").mkdir(parents=True)
    (folder / "raw" / "a.csv").write_text(rows, encoding="utf-8")
    (folder / "job.yaml").write_text("units: {angle: deg, length: m}\n", encoding="utf-8")
    (folder / "control.csv").write_text(
        f"point,northing,easting,elevation\n{listed}", encoding="utf-8"
    )
    return folder


@pytest.mark.parametrize(
    "wrong", [(0.3, 0.0, 0.0), (0.0, 0.3, 0.0), (0.0, 0.02, 0.0), (-0.2, 0.2, 0.0), (0.0, 0.0, 0.3)]
)
def test_one_is_named_and_the_site_lies_near_the_grid(
    tmp_path: Path, wrong: tuple[float, float, float]
) -> None:
    """Either mark may be the wrong one; no place is farther from the truth than the list is."""
    site = tieup.reconcile(job(tmp_path / "job", wrong))
    (found,) = [f for f in site.findings if f["severity"] in ("stop", "check") and f["grade"]]
    assert found["kind"] == "control-coordinate"
    named = {found["points"][0], *(r["points"][0] for r in found["rivals"] if r["points"])}
    assert {"CP1", "CP2"} <= named and "cannot tell" in found["says"]
    table = site.coordinates.set_index("point")
    laid = wrong[0] or wrong[1]
    assert not laid or "checked" not in set(table["proof"])  # the turn hangs on a doubted mark
    reach = 1.3 * float(np.linalg.norm(wrong))  # a mark as far from CP1 as CP2 turns as much
    for name, place in (TRUE | SETUPS).items():
        row = table.loc[name, ["northing", "easting", "elevation"]].to_numpy(float)
        aimed = np.array(place, dtype=float)
        assert np.abs(row - aimed).max() < reach + 0.002, name


def test_what_nothing_checked_yesterday_is_not_checked_today(tmp_path: Path) -> None:
    """A point shot once is known mark of the next day: unchecked, until that day sights it."""
    shot = "S1,P1,40.0,91.0,30.0,1.6\n"
    day = job(tmp_path / "day", (0.0, 0.0, 0.0), shot)
    reconciled_job(day, day / "out", Exchange())
    proofs = {}
    for name, more in (("without", ""), ("with", shot)):
        after = job(tmp_path / name, (0.0, 0.0, 0.0), more)
        (after / "control.csv").unlink()
        with (after / "job.yaml").open("a", encoding="utf-8") as stream:
            stream.write("control: {job: ../day}\n")
        site = tieup.reconcile(after)
        proofs[name] = site.coordinates.set_index("point")["proof"]
        assert "../day/out/coordinates.csv" in site.reconciliation.run["inputs"]
    assert proofs["without"]["P1"] == "unchecked"
    assert proofs["with"]["P1"] == "checked"
    assert proofs["without"]["T1"] == "checked"
