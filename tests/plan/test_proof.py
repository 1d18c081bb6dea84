"""A plan calls a mark checked only where no mistake in it would pass."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import tieup
from tests.plan.jobs import JOB, PLACES, SIGHTS, without, write_plan_job
from tieup import cli
from tieup.library import PlanResult

NORTH = """\
title: North
units: {angle: deg, length: m}
plan: {places: places.csv, sights: sights.csv}
"""
TWO_MARKS = dict(
    job=NORTH,
    control="point,northing,easting,elevation\nCP1,1000,1000,10\nCP2,1050,1000,10\n"
    "CP3,1050,1100,10\n",
    places="point,northing,easting,elevation\nS2,1025,1080,12\nS1,1020,1010,12\n"
    "T1,1045,1040,11\nT2,1000,1050,11\n",
    sights="setup,station,point,rounds,faces\nS1,,CP1,1,2\nS1,,CP2,1,2\nS1,,T1,1,2\n"
    "S1,,T2,1,2\nS2,,T1,1,2\nS2,,T2,1,2\n",
)
KINDS = "setup,station,point,measured\n"


def proof(plan: PlanResult) -> dict[str, str]:
    """Return the proof of each point."""
    return dict(zip(plan.points["point"], plan.points["proof"], strict=True))


def sights_of_kinds(text: str, *further: str) -> str:
    """Return planned sights without heights and rounds, with further rows that say kinds."""
    rows = [",".join([*line.split(",")[:3], ""]) for line in text.splitlines()[1:]]
    return KINDS + "\n".join([*rows, *further]) + "\n"


def test_a_mark_in_which_a_mistake_in_plan_would_pass_is_unchecked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two setups on two marks each: table, screen and JSON agree, and a third mark helps."""
    folder = write_plan_job(tmp_path, **TWO_MARKS)
    plan = tieup.plan(folder)
    points = plan.points.set_index("point")
    assert points.loc[["T1", "T2"], "caught_plan"].isna().all()
    assert points.loc[["T1", "T2"], "caught_height"].notna().all()
    assert proof(plan) == {"CP1": "held", "CP2": "held", "T1": "unchecked", "T2": "unchecked"}
    assert cli.outcome(["plan", str(folder)]) == 1
    lines = capsys.readouterr().out.splitlines()
    for name in ("T1", "T2"):
        row = next(line for line in lines if line.startswith(f"{name} "))
        assert row.endswith("unchecked in plan")
    assert "T1 could hide" in " ".join(" ".join(lines).split())
    assert cli.outcome(["plan", str(folder), "--json"]) == 1
    marks = {mark["point"]: mark for mark in json.loads(capsys.readouterr().out)["marks"]}
    assert marks["T1"]["proof"] == "unchecked"
    mended = TWO_MARKS | {"sights": TWO_MARKS["sights"] + "S2,,CP3,1,2\n"}
    better = tieup.plan(write_plan_job(tmp_path / "b", **mended)).points.set_index("point")
    assert better.loc[["T1", "T2"], "hidden_horizontal"].notna().all()
    assert (better.loc[["T1", "T2"], "checked_share"] > 0.0).all()
    assert points.loc[["T1", "T2"], "hidden_horizontal"].isna().all()
    assert (points.loc[["T1", "T2"], "checked_share"] == 0.0).all()


def test_the_whole_word_stands_on_a_narrow_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 36 columns nothing of the proof is cut off."""
    folder = write_plan_job(tmp_path, **TWO_MARKS)
    assert cli.outcome(["plan", str(folder), "--width", "36"]) == 1
    text = capsys.readouterr().out
    assert text.count("unchecked in plan\n") == 2
    assert max(map(len, text.splitlines())) <= 36


def test_a_setup_in_which_a_mistake_would_pass_is_not_called_strong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """S1 has four marks all round it and nothing that tests them in plan: weak, with the reason."""
    folder = write_plan_job(tmp_path, **TWO_MARKS)
    setups = tieup.plan(folder).setups.set_index("setup")
    assert setups.loc["S1", ["geometry", "verdict"]].tolist() == ["weak", "unproved"]
    assert setups.loc["S2", ["geometry", "verdict"]].tolist() == ["two-tie", "unproved"]
    assert cli.outcome(["plan", str(folder)]) == 1
    table = capsys.readouterr().out.split("SETUPS")[1].split("NEXT SHOT")[0]
    assert "strong" not in table
    assert "nothing would catch a mistake at its marks in plan" in table


def test_a_strong_setup_that_is_too_coarse_is_unproved(tmp_path: Path) -> None:
    """Poor gear does not make a shape weak, but nothing is proved with it."""
    job = JOB.replace("zenith: 2, distance: [1.5, 2.0]", "zenith: 2, distance: [9, 2.0]")
    job = job.replace("direction: 2", "direction: 40")
    plan = tieup.plan(write_plan_job(tmp_path, job=job))
    assert set(plan.setups["geometry"]) == {"strong"}
    assert set(plan.setups["verdict"]) == {"unproved"}
    assert set(plan.joints["verdict"]) == {"unproved"}
    assert plan.status == 1


def test_a_levelled_mark_shot_once_is_unchecked_in_plan(tmp_path: Path) -> None:
    """A level run checks its height alone, and the answer says so."""
    folder = write_plan_job(
        tmp_path,
        job=JOB.replace("datum:", "levels: levels.csv\ndatum:"),
        places=PLACES + "B,1040,1020,11\n",
        sights=SIGHTS + "S1,,B,1.6,1,2\n",
    )
    rows = "CP1,B,1.0,0.001\nB,CP2,0.0,0.001\nCP2,B,0.0,0.001\n"
    (folder / "levels.csv").write_text("from,to,difference,sd\n" + rows)
    plan = tieup.plan(folder)
    assert proof(plan)["B"] == "unchecked"
    assert plan.points.set_index("point").loc["B", "caught_height"] > 0.0
    assert plan.faults == ["B: nothing would catch a mistake in it in plan"]
    assert plan.status == 1


def test_a_sight_of_directions_alone_leaves_what_control_checks(tmp_path: Path) -> None:
    """It acts across its line only, and there it is tested; nothing in height is asked of it."""
    sights = sights_of_kinds(without(SIGHTS, "S2,,CP3"), "S2,,CP3,direction")
    plan = tieup.plan(write_plan_job(tmp_path, sights=sights))
    own = plan.sights.query("point == 'CP3'").iloc[0]
    across = own["distance"] * own["sd_direction"] / 206264.8  # m; seconds in a radian
    # Baarda (1968): 4.13 sd for one test at 0.001 and 80 %, more for all the tests of a job
    assert 4.13 * across < own["caught_plan"] < 0.1  # m
    points = plan.points.set_index("point")
    assert points.loc["CP3", "caught_plan"] == pytest.approx(own["caught_plan"], abs=1e-9)  # m
    assert points.loc["CP3", "hidden_horizontal"] < 0.1  # m
    assert points.loc["CP3", "hidden_elevation"] < 0.1  # m


def test_a_direction_does_not_check_the_distance_of_another_setup(tmp_path: Path) -> None:
    """T1 is shot from S1 and only pointed at from S2: its distance could be wrong unseen."""
    sights = sights_of_kinds(without(SIGHTS, "S2,,T1"), "S2,,T1,direction")
    plan = tieup.plan(write_plan_job(tmp_path, sights=sights))
    assert proof(plan)["T1"] == "unchecked"
    assert any(fault.startswith("T1: nothing would catch a mistake") for fault in plan.faults)
