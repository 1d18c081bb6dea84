"""Yesterday's result is tomorrow's control: day by day gives what one adjustment of all gives.

Sequential least squares is exact where the earlier covariance is taken whole (Mikhail and
Ackermann, Observations and Least Squares, ch. 10). The referee is the tool's own adjustment of all
rows at once, which the rest of the tests hold against independent ones.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import tieup
from tieup.config import load_job
from tieup.diagnose.solve import Solved, solve
from tieup.pipeline import make_case, read_site

MARKS = {
    "CP1": (0.0, 0.0, 10.0),
    "CP2": (90.0, 20.0, 11.0),
    "T1": (60.0, 70.0, 10.4),
    "T2": (-20.0, 65.0, 9.6),
    "T3": (30.0, -40.0, 10.9),
    "T4": (110.0, 80.0, 11.7),
}
SETUPS = {
    "S1": ((35.0, 25.0, 11.6), ("CP1", "CP2", "T1", "T2", "T3")),
    "S2": ((20.0, 60.0, 11.2), ("CP1", "T1", "T2", "T3")),
    "S3": ((70.0, 45.0, 12.0), ("T1", "T2", "T3", "T4")),
    "S4": ((85.0, 75.0, 12.4), ("T1", "T3", "T4", "CP2")),
    "S5": ((40.0, 50.0, 11.9), ("T1", "T2", "T4", "T3")),
}
GEAR = "instruments: {default: {direction: 3, zenith: 3, distance: [2, 2]}}\n"
FIRST = "CP1,0,0,10,0.004,0.004,0.003\nCP2,90,20,11,0.004,0.004,0.003\n"


def rows(random: np.random.Generator, setup: str) -> str:
    """Return the shots of one setup with noise of the stated gear."""
    axis, marks = SETUPS[setup]
    turn = float(random.uniform(0.0, 2.0 * np.pi))
    text = ""
    for mark in marks:
        north, east, height = np.subtract(MARKS[mark], axis)
        height += 1.5
        plan = np.hypot(north, east)
        second = np.pi / 648_000.0
        across = np.hypot(3 * second, 0.001 / plan)
        direction = np.arctan2(east, north) - turn + random.normal() * across
        zenith = np.arctan2(plan, height) + random.normal() * across
        slope = np.hypot(plan, height) + random.normal() * 0.0025
        text += (
            f"{setup},{mark},{np.degrees(direction) % 360:.8f},{np.degrees(zenith):.8f},"
            f"{slope:.6f},1.5\n"
        )
    return text


def job(folder: Path, shots: str, control: str, more: str = "") -> Path:
    """Write a job; ``control`` is a list without its header, empty for none."""
    (folder / "raw").mkdir(parents=True)
    text = f"units: {{angle: deg, length: m}}\ntolerances: topographic\n{GEAR}{more}"
    (folder / "job.yaml").write_text(text, encoding="utf-8")
    head = "setup,point,direction,zenith,distance,target_height\n"
    (folder / "raw" / "a.csv").write_text(head + shots, encoding="utf-8")
    if control:
        head = "point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation\n"
        (folder / "control.csv").write_text(head + control, encoding="utf-8")
    return folder


def solved(folder: Path) -> Solved:
    """Return the solution of a job with the stated sds."""
    read = load_job(folder)
    return solve(make_case(read, *read_site(read)))


def places(solution: Solved) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Return places and sds by mark."""
    place = solution.adjustment.position + solution.network.origin
    variance = np.diagonal(solution.adjustment.point_covariance, axis1=1, axis2=2)
    names = solution.network.point_names
    return dict(zip(names, place, strict=True)), dict(zip(names, np.sqrt(variance), strict=True))


DAYS = {
    "two days": (("S1", "S2"), ("S3", "S4")),
    "three days": (("S1", "S2"), ("S3",), ("S4", "S5")),
}


@pytest.mark.parametrize("days", DAYS)
@pytest.mark.parametrize("control", [FIRST, FIRST.replace("0.004", "0").replace("0.003", "0")])
def test_days_one_after_the_other_are_one_adjustment(
    tmp_path: Path, days: str, control: str
) -> None:
    """Coordinates to 1e-6 m and sds to 1e-4 of themselves, of every mark of the last day.

    Control of the first day weighted, and held.
    """
    for seed in range(3):
        random = np.random.default_rng(seed)
        shots = {setup: rows(random, setup) for setup in SETUPS}
        home = tmp_path / str(seed)
        before = ""
        for number, setups in enumerate(DAYS[days]):
            text = "".join(shots[setup] for setup in setups)
            given = f"control: {{job: ../{before}}}\n" if before else ""
            now = job(home / f"day{number}", text, "" if before else control, given)
            tieup.reconcile(now).write(now / "out")
            before = f"day{number}"
        every = [setup for setups in DAYS[days] for setup in setups]
        whole = job(home / "all", "".join(shots[setup] for setup in every), control)
        (place, sd), (at_once, at_once_sd) = places(solved(now)), places(solved(whole))
        seen = {mark for setup in DAYS[days][-1] for mark in SETUPS[setup][1]}
        for mark in seen:
            assert place[mark] == pytest.approx(at_once[mark], abs=1e-6), mark
            assert sd[mark] == pytest.approx(at_once_sd[mark], rel=1e-4, abs=1e-9), mark
