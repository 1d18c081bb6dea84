"""What the command prints and writes."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

import tieup
from tests.endtoend.jobs import copy_sample, files_below
from tests.plan.jobs import JOB, PLACES, SIGHTS, write_plan_job
from tieup import cli
from tieup.write.plan_files import PLAN_JOINTS, PLAN_POINTS, PLAN_SETUPS, PLAN_SIGHTS

FILES = {
    "plan_points.csv",
    "plan_sights.csv",
    "plan_setups.csv",
    "plan_joints.csv",
    "plan.json",
}
WEAK = dict(sights=SIGHTS + "S2,,Q,1.6,1,2\n", places=PLACES + "Q,1095,1090,12\n")


@pytest.mark.parametrize("width", [36, 45, 80])
@pytest.mark.parametrize("weak", [False, True])
def test_the_screen_fits_and_begins_with_the_answer(
    width: int, weak: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No line beyond the width, no Greek, no statistics; exit 0 holds, 1 weak."""
    folder = write_plan_job(tmp_path, **(WEAK if weak else {}))
    assert cli.outcome(["plan", str(folder), "--width", str(width)]) == int(weak)
    text = capsys.readouterr().out
    assert text.startswith("PLAN IS WEAK: Q: nothing" if weak else "PLAN HOLDS: 7 marks")
    assert max(map(len, text.splitlines())) <= width
    assert text.isascii()
    for word in ("sigma", "redundancy", "sd ", "mdb"):
        assert word not in text
    flat = " ".join(text.split())
    for caution in (
        "Predicted, not measured: it holds for the stated gear and without mistakes.",
        "Whether a mark can be seen is not known here.",
        "Check independently before excavating, paving or setting structure.",
        "if it can be seen",
        "1.5 times the longest sight",
    ):
        assert caution in flat


def test_feet_are_said_in_feet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The loading dock is in feet: limits and sizes in ft, nothing in mm."""
    job = copy_sample("two_setups", tmp_path)
    assert cli.outcome(["plan", str(job)]) == 0
    text = capsys.readouterr().out
    assert "0.0197 ft in plan and 0.00984 ft in height" in " ".join(text.split())
    assert " mm" not in text


def test_json_is_the_screen_as_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One document on standard output: answer, marks, setups, next shots, cautions."""
    folder = write_plan_job(tmp_path, **WEAK)
    assert cli.outcome(["plan", str(folder), "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert (record["holds"], record["status"], record["basis"]) == (False, 1, "planned")
    assert record["weak"] == ["Q: nothing would catch a mistake in it"]
    marks = {mark["point"]: mark for mark in record["marks"]}
    assert marks["Q"]["caught_plan"] is None
    assert marks["T1"]["proof"] == "checked"
    assert record["next_shots"][0]["point"] == "Q"
    assert any("Predicted, not measured" in text for text in record["cautions"])
    assert any("licensed surveyor" in text for text in record["cautions"])


def test_quiet_prints_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--quiet leaves the exit status."""
    assert cli.outcome(["plan", str(write_plan_job(tmp_path)), "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")


def test_nothing_is_written_unless_out_names_a_folder(tmp_path: Path) -> None:
    """The job folder stays as it is."""
    folder = write_plan_job(tmp_path / "job")
    before = files_below(folder)
    assert cli.outcome(["plan", str(folder), "--quiet"]) == 0
    assert files_below(tmp_path / "job") == before


def test_the_files_stand_beside_those_of_reconcile(tmp_path: Path) -> None:
    """Plan into the folder of the results: not one of them changes, and the reverse."""
    job, out = copy_sample("two_setups", tmp_path), tmp_path / "out"
    assert cli.outcome(["reconcile", str(job), "--out", str(out), "--quiet"]) == 0
    field = files_below(out)
    assert cli.outcome(["plan", str(job), "--out", str(out), "--quiet"]) == 0
    both = files_below(out)
    assert set(both) == {*field, *FILES}
    assert all(both[name] == content for name, content in field.items())
    assert cli.outcome(["reconcile", str(job), "--out", str(out), "--quiet"]) == 0
    again = files_below(out)
    assert set(again) == set(both)
    assert all(again[name] == both[name] for name in FILES)


def test_an_audit_leaves_the_results_of_reconcile(tmp_path: Path) -> None:
    """Files of one command are never taken away by another."""
    job, out = copy_sample("two_setups", tmp_path), tmp_path / "out"
    cli.outcome(["reconcile", str(job), "--out", str(out), "--quiet"])
    field = files_below(out)
    cli.outcome(["audit", str(job), "--out", str(out), "--quiet"])
    assert {*field, "audit.csv", "audit.json"} == set(files_below(out))


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path) -> None:
    """Nothing of the clock in them."""
    folder = write_plan_job(tmp_path / "job", **WEAK)
    for name in ("a", "b"):
        assert cli.outcome(["plan", str(folder), "--out", str(tmp_path / name), "--quiet"]) == 1
    assert files_below(tmp_path / "a") == files_below(tmp_path / "b")
    assert set(files_below(tmp_path / "a")) == FILES


def test_tables_have_their_columns_and_leave_the_undefined_empty(tmp_path: Path) -> None:
    """Every sight, setup and point has its row; what nothing catches is empty, not 0."""
    folder, out = write_plan_job(tmp_path / "job", **WEAK), tmp_path / "out"
    cli.outcome(["plan", str(folder), "--out", str(out), "--quiet"])
    tables = {}
    for name, columns in (
        ("plan_points", PLAN_POINTS), ("plan_sights", PLAN_SIGHTS), ("plan_setups", PLAN_SETUPS),
        ("plan_joints", PLAN_JOINTS),
    ):  # fmt: skip
        with (out / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        assert list(rows[0]) == list(columns)
        tables[name] = rows
    assert len(tables["plan_sights"]) == 13
    assert {row["setup"] for row in tables["plan_setups"]} == {"S1", "S2"}
    assert [(row["first"], row["second"]) for row in tables["plan_joints"]] == [("S1", "S2")]
    lonely = next(row for row in tables["plan_sights"] if row["point"] == "Q")
    assert lonely["caught_plan"] == lonely["mdb_distance"] == lonely["moves_plan"] == ""
    assert float(lonely["redundancy_distance"]) == 0.0
    record = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert set(record["files"]) == FILES
    assert set(record["inputs"]) == {"job.yaml", "control.csv", "places.csv", "sights.csv"}
    assert record["settings"]["centring"] == {"instrument": 0.5, "target": 1.0}


def test_a_job_folder_is_no_place_for_results(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--out on the job folder is refused before the work."""
    folder = write_plan_job(tmp_path)
    assert cli.outcome(["plan", str(folder), "--out", str(folder)]) == 2
    assert "is a job folder" in capsys.readouterr().err


def test_the_library_gives_frames_and_writes_on_request(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """tieup.plan: four frames, faults, next shots, status; nothing printed."""
    folder = write_plan_job(tmp_path / "job", **WEAK)
    result = tieup.plan(folder, out=tmp_path / "out")
    assert list(result.points) == list(PLAN_POINTS)
    assert list(result.sights) == list(PLAN_SIGHTS)
    assert list(result.setups) == list(PLAN_SETUPS)
    assert list(result.joints) == list(PLAN_JOINTS)
    assert result.status == 1
    assert result.next_shots[0]["point"] == "Q"
    assert {path.name for path in result.write(tmp_path / "again")} == FILES
    assert set(files_below(tmp_path / "out")) == FILES
    assert capsys.readouterr() == ("", "")


def test_levels_alone_can_be_planned(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A job of level runs has heights and no setups; the screen speaks of the runs."""
    text = JOB.replace("plan: {places: places.csv, sights: sights.csv}", "levels: levels.csv")
    (tmp_path / "job.yaml").write_text(text.replace("raw: [raw/*.csv]", "raw: []"))
    (tmp_path / "control.csv").write_text("point,northing,easting,elevation\nA,,,10\n")
    (tmp_path / "levels.csv").write_text(
        "from,to,difference,sd\nA,B,1,0.001\nB,C,1,0.001\nC,A,-2,0.001\n"
    )
    assert cli.outcome(["plan", str(tmp_path)]) == 0
    assert "3 marks, 3 level runs and tapes." in capsys.readouterr().out
