"""A job on its way: how it is called, and a frame without control."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endtoend.jobs import copy_sample, reconcile
from tieup import cli

Capture = pytest.CaptureFixture[str]
WRONG = 2  # exit status: the input or the call is wrong
HEADER = "point,northing,easting,elevation\n"


def test_the_file_instead_of_the_folder(tmp_path: Path, capsys: Capture) -> None:
    """`tieup reconcile job/job.yaml` says which folder to name; nothing is written."""
    job = copy_sample("two_setups", tmp_path)
    run = reconcile(capsys, job / "job.yaml", tmp_path / "out")
    assert run.status == WRONG and not run.folder.exists()
    assert "job.yaml: is a file. Name the folder it stands in: " in run.errors
    assert run.errors.rstrip().endswith("two_setups")


def without_marks(folder: Path, datum: str, control: str | None) -> Path:
    """Return a sample job whose list has no marks, or is not there."""
    job = copy_sample("fire_station_clean", folder)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    assert "control: control.csv" in text and "datum: control" in text
    path.write_text(text.replace("datum: control", datum), encoding="utf-8")
    if control is None:
        (job / "control.csv").unlink()
    else:
        (job / "control.csv").write_text(control, encoding="utf-8")
    return job


@pytest.mark.parametrize("control", [HEADER, "# none yet\n", "", None])
@pytest.mark.parametrize(
    "datum", ["datum: free", "datum: local\nlocal: {point: CP1, toward: CP2, azimuth: 0}"]
)
def test_a_frame_of_its_own_needs_no_marks(
    tmp_path: Path, capsys: Capture, datum: str, control: str | None
) -> None:
    """A list with a header only, an empty one and none are the same: no control."""
    run = reconcile(capsys, without_marks(tmp_path, datum, control))
    assert run.status != WRONG, run.errors
    assert not [row for row in run.table("coordinates") if row["role"] == "control"]
    assert cli.outcome(["audit", str(tmp_path / "fire_station_clean"), "--quiet"]) != WRONG


@pytest.mark.parametrize("control", [HEADER, ""])
def test_a_frame_held_to_control_needs_marks(tmp_path: Path, capsys: Capture, control: str) -> None:
    """The same list is an error where it holds the frame, and says what to state instead."""
    run = reconcile(capsys, without_marks(tmp_path, "datum: control", control))
    assert run.status == WRONG
    assert "control.csv:1: " in run.errors and "state datum: free" in run.errors


LEVELS = "from,to,difference,sd\nA,B,10.509,0.006\nB,C,5.360,0.004\nA,C,15.881,0.012\n"


def test_a_job_of_levels_alone_speaks_of_levels(tmp_path: Path, capsys: Capture) -> None:
    """Runs, benchmarks and checks: no setups, no raw files and no ties that nobody observed."""
    job = tmp_path / "net"
    job.mkdir()
    (job / "job.yaml").write_text("units: {angle: deg, length: m}\nlevels: levels.csv\n")
    (job / "control.csv").write_text(f"{HEADER}A,,,100\n")
    (job / "levels.csv").write_text(LEVELS)
    run = reconcile(capsys, job)
    assert run.status == 0 and "net: THE LEVELS TIE. 1 check" in run.text
    assert "Levels     3 level runs: 3 used" in run.text
    assert "3 marks (1 benchmark, 2 levelled)" in run.text
    for word in ("Setup", "raw file", "0 of 0", "0 rows"):
        assert word not in run.text
    assert "The levels tie." in (run.folder / "report.html").read_text(encoding="utf-8")
    assert cli.outcome(["ties", str(job)]) == 0
    assert "THE LEVELS TIE" in capsys.readouterr().out
    assert cli.outcome(["audit", str(job)]) == 0
    assert "NO RAW ROWS TO CHECK" in " ".join(capsys.readouterr().out.split())


def test_a_level_line_that_nothing_checks_is_not_proved(tmp_path: Path, capsys: Capture) -> None:
    """A spur: not proved, with what to do."""
    job = tmp_path / "net"
    job.mkdir()
    (job / "job.yaml").write_text("units: {angle: deg, length: m}\nlevels: levels.csv\n")
    (job / "control.csv").write_text(f"{HEADER}A,,,100\n")
    (job / "levels.csv").write_text("from,to,difference,sd\nA,B,10.509,0.006\n")
    run = reconcile(capsys, job)
    assert run.status == 1
    assert "NOT PROVED YET: nothing checks the levels; close a loop" in run.text


def test_rows_used_in_part_are_told(tmp_path: Path, capsys: Capture) -> None:
    """Rows are counted as rows; those of which a reading is left out are told beside."""
    run = reconcile(capsys, copy_sample("fire_station", tmp_path))
    fates: dict[tuple[str, str], set[str]] = {}
    for row in run.table("observations"):
        fates.setdefault((row["file"], row["line"]), set()).add(row["status"])
    used = [own for own in fates.values() if "used" in own]
    part = sum(len(own) > 1 for own in used)
    assert part > 0
    assert f"{len(used)} used ({part} in part)" in " ".join(run.text.split())


def test_the_us_survey_foot_shows_in_words(tmp_path: Path, capsys: Capture) -> None:
    """Which of the two feet a length is in stands beside it, on every screen of 80 columns."""
    job = copy_sample("two_setups", tmp_path)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    assert "length: ft}" in text
    path.write_text(text.replace("length: ft}", "length: ftUS}"), encoding="utf-8")
    run = reconcile(capsys, job)
    assert " US ft off in plan (limit 0.0" in run.text
    cli.outcome(["ties", str(job)])
    ties = capsys.readouterr().out
    assert " US ft" in ties
    for screen in (run.text, ties):
        lines = [line for line in screen.splitlines() if " plan" in line or " low" in line]
        assert lines
        assert not [line for line in lines if " ft" in line.replace(" US ft", "")]
        assert all(len(line) <= 80 or str(tmp_path) in line for line in screen.splitlines())


def test_another_list_that_is_named_must_be_there(tmp_path: Path, capsys: Capture) -> None:
    """Only the usual name may be without a file: any other is a slip."""
    job = without_marks(tmp_path, "datum: free", None)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("control.csv", "contrl.csv"), encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == WRONG and "contrl.csv" in run.errors
