"""Wrong plans: every one an error with file, line, column and cure, and nothing is written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import tieup
from tests.endtoend.jobs import copy_sample
from tests.plan.jobs import CONTROL, JOB, PLACES, SIGHTS, without, write_plan_job
from tieup import cli

HEAD = "setup,station,point,target_height,rounds,faces\n"
CASES = {
    "mark without a place": (
        dict(places=without(PLACES, "T1")),
        ["sights.csv:5: point T1 has no place", "places.csv (plan: places)"],
    ),
    "free setup without a place": (
        dict(places=without(PLACES, "S2")),
        ["sights.csv:8: setup S2 is a free station (its station is empty) and has no place"],
    ),
    "station without a place": (
        dict(sights=SIGHTS + "S3,T9,CP1,,,\n"),
        ["sights.csv:14: station T9 of setup S3 has no place"],
    ),
    "sight to itself": (
        dict(sights=SIGHTS + "S3,T1,CP1,,,\nS3,T1,T1,,,\n"),
        ["sights.csv:15: setup S3 stands over T1 and cannot sight it"],
    ),
    "two in one place": (
        dict(places=PLACES + "Q,1025.01,1020.01,11\n", sights=SIGHTS + "S1,,Q,,,\n"),
        ["sights.csv:14: setup S1 and point Q are in one place", "places.csv"],
    ),
    "two frames": (
        dict(places=PLACES + "Q,551025,301020,11\n", sights=SIGHTS + "S1,,Q,,,\n"),
        ["sights.csv:14: setup S1 and point Q are 626 km apart", "one frame"],
    ),
    "sight twice": (
        dict(sights=SIGHTS + "S1,,CP1,1.6,1,2\n"),
        ["sights.csv:14: setup S1 sights point CP1 on line 2 already", "rounds"],
    ),
    "no control sighted": (
        dict(sights=without(SIGHTS, "S1,,CP", "S2,,CP")),
        ["sights.csv:2: point: no mark of the plan has northing and easting in control.csv"],
    ),
    "one control mark": (
        dict(sights=without(SIGHTS, "S1,,CP", "S2,,CP2", "S2,,CP3")),
        ["sights.csv: control: only CP4 is both observed and known", "Sight a second such mark"],
    ),
    "no such instrument": (
        dict(sights="setup,point,instrument\nS1,CP1,robot\n"),
        ["sights.csv:2: instrument robot is not under instruments:", "There are default"],
    ),
    "two stations of one setup": (
        dict(sights=HEAD + "S3,T1,CP1,,,\nS3,T2,CP2,,,\n"),
        ["sights.csv:3: station of setup S3 is T2, on line 2 it is T1"],
    ),
    "free and over a mark": (
        dict(sights=SIGHTS + "S3,,CP1,,,\nS3,T1,CP2,,,\nS3,T1,T1,,,\n"),
        ["sights.csv:15: setup S3 stands over T1 on line 15 and is free (station is empty) on "
         "line 14.", "another label",
         "sights.csv:16: setup S3 stands over T1 and cannot sight it"],
    ),
    "places beside control": (
        dict(places=PLACES + "CP1,1000,1000,11.2\nCP4,1003,1064,11\n"),
        ["places.csv:7: CP1 is 1.20 m from where control.csv:2 has it. Take this line out",
         "places.csv:8: CP4 is 5.00 m from where control.csv:5 has it."],
    ),
    "places beside control in feet": (
        dict(places=PLACES + "CP1,1004,1003,10\n",
             job=JOB.replace("length: m", "length: ft")),
        ["places.csv:7: CP1 is 5.00 ft from where control.csv:2 has it"],
    ),
    "three faces": (
        dict(sights=HEAD + "S1,,CP1,1.6,0,3\n"),
        ['sights.csv:2: rounds "0" is not a whole number from 1 to 99',
         'sights.csv:2: faces "3" is not a whole number from 1 to 2'],
    ),
    "half a round": (
        dict(sights=HEAD + "S1,,CP1,1.6,1.5,x\n"),
        ['rounds "1.5" is not a whole number', 'faces "x" is not a number'],
    ),
    "unknown kind": (
        dict(sights="setup,point,measured\nS1,CP1,direction angle\n"),
        ['sights.csv:2: measured "direction angle": angle is none of direction, zenith, distance'],
    ),
    "names missing": (
        dict(sights="setup,point\n,CP1\nS1,\n"),
        ["sights.csv:2: setup is empty", "sights.csv:3: point is empty"],
    ),
    "misspelt column": (
        dict(sights="setup,point,round\nS1,CP1,2\n"),
        ["sights.csv:1: column round is not known here. Did you mean rounds?"],
    ),
    "no column setup": (
        dict(sights="station,point\nCP1,CP2\n"),
        ["sights.csv:1: ", "setup"],
    ),
    "header only": (dict(sights=HEAD), ["sights.csv:1: has a header and no rows below it"]),
    "empty file": (dict(sights=""), ["sights.csv: is empty"]),
    "place twice": (
        dict(places=PLACES + "T1,1,2,3\n"),
        ["places.csv:7: point T1 is on line 4 already. Take one line out"],
    ),
    "place without elevation": (
        dict(places=PLACES + "T9,1,2,\n"),
        ["places.csv:7: elevation is empty. Give an approximate one"],
    ),
    "place in words": (
        dict(places=PLACES + "T9,north,2,3\n"),
        ['places.csv:7: northing "north" is not a number'],
    ),
    "place beyond measure": (
        dict(places=PLACES + "T9,1e12,2,3\n"),
        ['places.csv:7: northing "1e12" is beyond all measure'],
    ),
    "label that is a mark": (
        dict(places=PLACES + "T9,1010,1010,11\n", sights=SIGHTS + "T9,,CP1,,,\nS1,,T9,,,\n"),
        ["sights.csv:14: setup T9 is a free station and T9 is a mark as well"],
    ),
    "no list of sights": (
        dict(job=JOB.replace(", sights: sights.csv", "")),
        ["job.yaml:11: plan.sights is missing"],
    ),
    "list that is not there": (
        dict(job=JOB.replace("places: places", "places: palces")),
        ['job.yaml:11: plan.places is "palces.csv", and there is no such file'],
    ),
    "misspelt key": (
        dict(job=JOB.replace("sights: sights", "sight: sights")),
        ["sight is not a key here. Did you mean", "sights"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_a_wrong_plan_is_told_with_its_place_and_its_cure(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, words on standard error, no traceback, no file."""
    changes, wanted = CASES[name]
    folder = write_plan_job(tmp_path / "job", **changes)
    assert cli.outcome(["plan", str(folder), "--out", str(tmp_path / "out")]) == 2
    streams = capsys.readouterr()
    for text in wanted:
        assert text in streams.err
    assert "fault of the tool" not in streams.err
    assert streams.out == ""
    assert not (tmp_path / "out").exists()


def test_all_problems_of_a_list_are_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Four rows, four mistakes, four lines of text."""
    text = HEAD + "S1,,CP1,1.6,1,2\nS1,,CP1,1.6,1,2\nS2,,,1.6,1,2\nS3,T1,T1,x,1,9\n"
    folder = write_plan_job(tmp_path, sights=text)
    assert cli.outcome(["plan", str(folder)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert {line.split(":")[1] for line in lines} == {"3", "4", "5"}
    assert len(lines) == 5  # the last row is wrong in height, in faces and in its point


def test_a_job_without_raw_rows_and_without_a_plan_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The key that is missing is named, with how to write it."""
    folder = write_plan_job(tmp_path, job=without(JOB, "plan:"))
    assert cli.outcome(["plan", str(folder)]) == 2
    error = capsys.readouterr().err
    assert "plan: {places: places.csv, sights: sights.csv}" in error


def test_reconcile_still_wants_raw_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A plan is no survey."""
    assert cli.outcome(["reconcile", str(write_plan_job(tmp_path))]) == 2
    assert 'is "raw/*.csv", and no file matches it' in capsys.readouterr().err


def test_a_starter_with_empty_raw_files_can_be_planned(tmp_path: Path) -> None:
    """`tieup new` leaves a raw table without rows: before the field it counts as not there."""
    folder = write_plan_job(tmp_path)
    (folder / "raw").mkdir()
    (folder / "raw" / "day1.csv").write_text("# comment\nsetup,point,direction\n\n")
    assert cli.outcome(["plan", str(folder), "--quiet"]) == 0


def test_a_setup_that_stands_elsewhere_in_the_field_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """S2 stands over CP3 in the raw rows and over CP4 in the plan."""
    job = copy_sample("fire_station_clean", tmp_path)
    (job / "sights.csv").write_text("setup,station,point\nS2,CP4,T8\n")
    text = (job / "job.yaml").read_text()
    (job / "job.yaml").write_text(f"{text}plan: {{sights: sights.csv}}\n")
    assert cli.outcome(["plan", str(job)]) == 2
    assert "setup S2 stands over CP4 here and over CP3 in the field" in capsys.readouterr().err


def test_control_that_differs_from_the_list_of_places_wins_and_it_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A known mark keeps its known place; up to a metre off is said, nothing off is not."""
    plain = tieup.plan(write_plan_job(tmp_path / "a"))
    near = PLACES + "CP1,1000.6,1000.6,10.5\nCP2,1060,1000,11\n"
    folder = write_plan_job(tmp_path / "b", places=near)
    assert plain.points.equals(tieup.plan(folder).points)
    said = "Taken from control, not from the list of places: CP1."
    assert cli.outcome(["plan", str(folder)]) == 0
    assert said in capsys.readouterr().out
    assert cli.outcome(["plan", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["taken_from_control"] == ["CP1"]
    assert cli.outcome(["plan", str(tmp_path / "a")]) == 0
    assert "Taken from control" not in capsys.readouterr().out


def test_a_free_setup_named_as_an_unsighted_control_mark_has_its_own_place(tmp_path: Path) -> None:
    """places.csv places the instrument under that label; the mark of control is another thing."""
    control = CONTROL + "S1,1200,1200,10,0,0,0\n"
    plain = tieup.plan(write_plan_job(tmp_path / "a"))
    named = tieup.plan(write_plan_job(tmp_path / "b", control=control))
    assert plain.setups["northing"].tolist() == named.setups["northing"].tolist()


@pytest.mark.parametrize(("marks", "status"), [("[T1, CP1]", 0), ("[T11]", 2)])
def test_standing_may_name_a_planned_mark(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], marks: str, status: int
) -> None:
    """Marks of the plan are known before the field; others are not."""
    folder = write_plan_job(tmp_path)
    path = folder / "job.yaml"
    path.write_text(f"{path.read_text(encoding='utf-8')}\nstanding: {marks}\n", encoding="utf-8")
    assert cli.outcome(["plan", str(folder), "--quiet"]) == status
    if status:
        assert "standing names T11" in (told := capsys.readouterr().err)
        assert "Did you mean T1?" in told
