"""Yesterday's result is tomorrow's control: day by day gives what one adjustment of all gives.

Sequential least squares is exact where the earlier covariance is taken whole (Mikhail and
Ackermann, Observations and Least Squares, ch. 10). The referee is the tool's own adjustment of all
rows at once, which the rest of the tests hold against independent ones.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import tieup
from tieup.config import load_job
from tieup.diagnose.basis.solve import Solved, solve
from tieup.errors import TieupError
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


@pytest.mark.slow
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


@pytest.fixture
def monday(tmp_path: Path) -> Path:
    """Return a day that was reconciled."""
    random = np.random.default_rng(5)
    folder = job(tmp_path / "monday", rows(random, "S1") + rows(random, "S2"), FIRST)
    tieup.reconcile(folder).write(folder / "out")
    return folder


def test_readings_are_tested_as_in_one_adjustment(tmp_path: Path, monday: Path) -> None:
    """Residuals, redundancy and w of the second day's readings are those of both at once.

    Redundancies of readings and of correlated control sum to the degrees of freedom.
    """
    shots = rows(np.random.default_rng(6), "S3")
    today = solved(job(tmp_path / "today", shots, "", "control: {job: ../monday}\n")).adjustment
    first = (monday / "raw" / "a.csv").read_text(encoding="utf-8").partition("\n")[2]
    whole = solved(job(tmp_path / "all", first + shots, FIRST)).adjustment
    marks = {name: n for n, name in enumerate(whole.problem.network.point_names)}
    names = today.problem.network.point_names
    third = {
        int(point): row
        for row, (setup, point) in enumerate(
            zip(whole.connections.setup, whole.connections.point, strict=True)
        )
        if whole.problem.network.setup_labels[setup] == "S3"
    }
    for row, point in enumerate(today.connections.point.tolist()):
        other = third.get(marks[names[point]])
        if other is None:
            continue
        assert today.residual[row] == pytest.approx(whole.residual[other], abs=1e-7)
        assert today.redundancy[row] == pytest.approx(whole.redundancy[other], abs=1e-4)
        w = whole.standardised[other]
        assert today.standardised[row] == pytest.approx(w, abs=1e-3, nan_ok=True)
    total = np.nansum(today.redundancy) + np.nansum(today.control_redundancy)
    assert total == pytest.approx(today.dof, abs=1e-6)


def test_a_mark_that_moved_overnight_is_named(tmp_path: Path, monday: Path) -> None:
    """T1 30 mm aside on Tuesday: the stop names it as known mark, or lists it as inseparable."""
    stops = 0
    for seed in range(8):
        here = MARKS["T1"]
        MARKS["T1"] = (here[0] + 0.03, here[1], here[2])
        try:
            random = np.random.default_rng(100 + seed)
            shots = "".join(rows(random, setup) for setup in ("S3", "S4", "S5"))
        finally:
            MARKS["T1"] = here
        folder = job(tmp_path / f"{seed}", shots, "", "control: {job: ../monday}\n")
        site = tieup.reconcile(folder)
        named = [f for f in site.findings if f["severity"] == "stop"]
        told = {
            p for f in named for p in (*f["points"], *(q for r in f["rivals"] for q in r["points"]))
        }
        stops += "T1" in told
        assert site.status == 1
    assert stops == 8


def test_a_covariance_beside_a_list_is_the_job_s(tmp_path: Path, monday: Path) -> None:
    """control.csv with control_covariance gives what control: {job: DIR} gives."""
    shots = rows(np.random.default_rng(7), "S3")
    one = job(tmp_path / "one", shots, "", "control: {job: ../monday}\n")
    listed = tieup.reconcile(monday).coordinates
    listed = listed[listed["role"] != "station"]
    control = "".join(
        f"{r.point},{r.northing:.4f},{r.easting:.4f},{r.elevation:.4f},9,9,9\n"
        for r in listed.itertuples()
    )
    two = job(tmp_path / "two", shots, control, "control_covariance: cov.csv\n")
    text = (monday / "out" / "covariance.csv").read_text(encoding="utf-8")
    (two / "cov.csv").write_text(text, encoding="utf-8")
    (place, sd), (other, other_sd) = places(solved(one)), places(solved(two))
    for mark in SETUPS["S3"][1]:
        assert other[mark] == pytest.approx(place[mark], abs=1.5e-4)  # the list keeps 4 decimals
        assert other_sd[mark] == pytest.approx(sd[mark], rel=1e-4)
    assert "cov.csv" in tieup.reconcile(two).reconciliation.run["inputs"]


def test_a_covariance_that_does_not_belong_is_refused(tmp_path: Path, monday: Path) -> None:
    """Other names, other coordinates, no covariance at all, no such job: each says what to do."""
    text = (monday / "out" / "covariance.csv").read_text(encoding="utf-8")
    control = "CP1,0,0,10,0,0,0\nT1,60,70,10.4,0,0,0\nT2,-20,65,9.6,0,0,0\n"
    lines = text.splitlines()
    few = [lines[0], *(x for x in lines[1:] if {x.split(",")[0], x.split(",")[2]} <= {"T1", "T2"})]
    plain = "\n".join(few) + "\n"
    cells = [line.split(",") for line in few[1:]]
    wild = [[*c[:6], repr(50 * float(c[6])) if c[5] == "" else c[6]] for c in cells]
    cases = {
        "has none of its marks": plain.replace("T1", "Q1").replace("T2", "Q2"),
        "Check the units": plain.replace(",m,", ",ft,"),
        "not positive definite": "\n".join([few[0], *map(",".join, wild)]) + "\n",
        "has no column": "point,covariance\nT1,1\n",
        "is there already": plain + few[1] + "\n",
    }
    for number, (told, content) in enumerate(cases.items()):
        shots = rows(np.random.default_rng(8), "S3")
        here = job(tmp_path / f"c{number}", shots, control, "control_covariance: cov.csv\n")
        (here / "cov.csv").write_text(content, encoding="utf-8")
        with pytest.raises(TieupError, match=told):
            tieup.reconcile(here)
    nowhere = job(
        tmp_path / "x", rows(np.random.default_rng(8), "S3"), "", "control: {job: ../no}\n"
    )
    with pytest.raises(TieupError, match="there is no job"):
        tieup.reconcile(nowhere)


def test_a_covariance_with_more_marks_gives_what_the_list_needs(
    tmp_path: Path, monday: Path
) -> None:
    """The rows of the list's marks are taken, as if there were no others, and that is said."""
    shots = rows(np.random.default_rng(12), "S3")
    listed = tieup.reconcile(monday).coordinates
    text = (monday / "out" / "covariance.csv").read_text(encoding="utf-8")
    lines = text.splitlines()
    inside = {"point", "T1", "T2", "CP1"}
    few = [x for x in lines if {x.split(",")[0], x.split(",")[2]} <= inside | {"with_point"}]
    control = "".join(
        f"{r.point},{r.northing:.4f},{r.easting:.4f},{r.elevation:.4f},,,\n"
        for r in listed[listed["point"].isin(inside)].itertuples()
    )
    both = []
    for name, content in (("more", text), ("few", "\n".join(few) + "\n")):
        here = job(tmp_path / name, shots, control, "control_covariance: cov.csv\n")
        (here / "cov.csv").write_text(content, encoding="utf-8")
        both.append(tieup.reconcile(here))
    more, less = both
    assert more.coordinates.equals(less.coordinates)
    (note,) = [f for f in more.findings if f["kind"] == "control-covariance"]
    assert note["severity"] == "note" and "does not list" in note["says"]
    assert not set(note["points"]) & inside
    assert not [f for f in less.findings if f["kind"] == "control-covariance"]


def test_a_covariance_beside_another_job_is_refused(tmp_path: Path, monday: Path) -> None:
    """The other job brings its own: one of the two goes."""
    shots = rows(np.random.default_rng(13), "S3")
    more = "control: {job: ../monday}\ncontrol_covariance: cov.csv\n"
    here = job(tmp_path / "here", shots, "", more)
    text = (monday / "out" / "covariance.csv").read_text(encoding="utf-8")
    (here / "cov.csv").write_text(text, encoding="utf-8")
    with pytest.raises(TieupError, match=r"control_covariance.*Take one out"):
        tieup.reconcile(here)


def test_a_free_day_is_no_control_for_the_next(tmp_path: Path, monday: Path) -> None:
    """A free frame is known but for a shift and a turn: no weights follow, and it says why."""
    random = np.random.default_rng(9)
    free = job(tmp_path / "free", rows(random, "S1") + rows(random, "S2"), "", "datum: free\n")
    tieup.reconcile(free).write(free / "out")
    today = job(tmp_path / "today", rows(random, "S3"), "", "control: {job: ../free}\n")
    with pytest.raises(TieupError, match="free job"):
        tieup.reconcile(today)


def test_a_day_that_does_not_tie_is_no_control_for_the_next(tmp_path: Path, monday: Path) -> None:
    """Yesterday's record says that the site fails: its marks are not held, and that is said."""
    today = job(
        tmp_path / "today", rows(np.random.default_rng(8), "S3"), "", "control: {job: ../monday}\n"
    )
    tieup.reconcile(today)
    record = monday / "out" / "run.json"
    text = record.read_text(encoding="utf-8")
    verdict = json.loads(text)["verdict"]
    record.write_text(text.replace(f'"{verdict}"', '"fails"'), encoding="utf-8")
    with pytest.raises(TieupError, match="that job does not tie"):
        tieup.reconcile(today)
