"""Misspelt headings, unreadable rows and runs that cannot go on, through the whole command."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, copy_sample, only_measured, put, reconcile
from tieup import cli
from tieup.adjust import iterate

WRONG = 2  # exit status: the input or the call is wrong
CLEAN = "fire_station_clean"


def renamed(folder: Path, old: str, new: str, name: str = CLEAN) -> Path:
    """Return a sample job with a heading of every raw file renamed."""
    job = copy_sample(name, folder)
    for path in (job / "raw").glob("*.csv"):
        head, _, rest = path.read_text(encoding="utf-8").partition("\n")
        assert f",{old}" in head
        path.write_text(f"{head.replace(f',{old}', f',{new}', 1)}\n{rest}", encoding="utf-8")
    return job


def test_a_misspelt_height_of_the_target_stops_the_job(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], clean_yard: Output
) -> None:
    """Every pole height is lost: a stop that names the column and what to write, and it works."""
    job = renamed(tmp_path, "target_height", "Target Height")
    run = reconcile(capsys, job)
    found = run.finding("unused-column")
    assert run.status == 1 and found["severity"] == "stop"
    assert found["lines"][0] == "raw/s1.csv:1"
    assert "target_height" in found["says"]
    entry = found["cure"].split("job.yaml ")[1].rstrip(".")
    path = job / "job.yaml"
    path.write_text(path.read_text(encoding="utf-8") + entry + "\n", encoding="utf-8")
    again = reconcile(capsys, job)
    assert again.status == 0, again.text
    assert again.table("coordinates") == clean_yard.table("coordinates")


def test_a_slip_that_is_near_is_to_be_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """zenit is no form of zenith that anybody uses on purpose: check, not stop."""
    found = reconcile(capsys, renamed(tmp_path, "zenith", "zenit")).finding("unused-column")
    assert (found["severity"], found["action"]) == ("check", "not used")


def test_a_run_without_directions_names_the_missing_column(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What cannot be solved says which column is missing, in which file and line."""
    run = reconcile(capsys, renamed(tmp_path, "direction", "hz"))
    assert run.status == WRONG and not run.folder.exists()
    assert "raw/s1.csv:1: column direction is missing" in run.errors
    assert "raw/s5.csv" in run.errors and "If hz is meant" in run.errors


def test_an_empty_column_is_said_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The column direction is there and no row has one: the files are named."""
    job = copy_sample("two_setups", tmp_path)
    for path in (job / "raw").glob("*.csv"):
        lines = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        place = lines[0].index("direction")
        for cells in lines[1:]:
            cells[place] = ""
        path.write_text("\n".join(",".join(cells) for cells in lines) + "\n", encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == WRONG
    assert "raw/s1.csv and raw/s2.csv: no row has a direction" in run.errors


def test_a_job_that_does_not_settle_names_setup_and_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One step is too few for any job: the error names a setup, its file and its first line."""
    monkeypatch.setattr(iterate, "MOST_ITERATIONS", 1)
    monkeypatch.setattr(iterate, "SETTLED", 0.0)
    monkeypatch.setattr(iterate, "SMALL_STEP", 0.0)
    monkeypatch.setattr(iterate, "NO_MATTER", 0.0)
    run = reconcile(capsys, copy_sample(CLEAN, tmp_path))
    assert run.status == WRONG
    assert "did not settle" in run.errors
    places = [line for line in run.errors.splitlines() if "begins here" in line]
    assert places and all(line.startswith("raw/s") for line in places)


def unreadable(run: Output) -> dict[str, str]:
    """Return the finding of rows that cannot be read."""
    found = run.finding("unreadable-row")
    assert found["severity"] == "check"
    return found


def test_rows_that_cannot_be_read_are_one_finding_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Seven bad cells: all lines, the first five reasons and how many more.

    Wide limits, so that no remark on a tie takes the room of the finding on the first screen.
    """
    job = copy_sample(CLEAN, tmp_path)
    wide = "tolerances: {horizontal: 0.02, elevation: 0.02}"
    text = (job / "job.yaml").read_text(encoding="utf-8")
    assert text.count("tolerances: paving") == 1
    (job / "job.yaml").write_text(text.replace("tolerances: paving", wide), encoding="utf-8")
    path = job / "raw" / "s1.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("zenith")
    for row in range(20, 27):
        cells = lines[row].split(",")
        cells[place] = "?"
        lines[row] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = reconcile(capsys, job)
    found = unreadable(run)
    assert found["lines"] == [f"raw/s1.csv:{row + 1}" for row in range(20, 27)]
    assert found["says"].startswith("raw/s1.csv: 7 rows left out, unreadable: ")
    assert "line 21: zenith" in found["says"] and "and 2 more" in found["says"]
    assert found["id"] in run.text


def test_the_audit_says_what_a_heading_is_meant_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`tieup audit` and its dry run name the column and what to write."""
    job = renamed(tmp_path, "distance", "slope", "two_setups")
    for options in ((), ("--rows", "2")):
        cli.outcome(["audit", str(job), *options])
        text = " ".join(capsys.readouterr().out.split())
        assert "raw/s1.csv:1: slope is not used. If it is meant for distance, rename it" in text
        assert "distance: slope}" in text


def test_marks_that_one_setup_cannot_place_are_one_finding(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nine side shots of S1 without a distance: named once, all of them, and none has a place."""
    job = only_measured(copy_sample(CLEAN, tmp_path))
    rows = [
        number
        for number, line in enumerate((job / "raw/s1.csv").read_text(encoding="utf-8").splitlines())
        if line.split(",")[3] in {str(point) for point in range(101, 110)}
    ]
    put(job, "raw/s1.csv", "distance", "", rows)
    run = reconcile(capsys, job)
    (found,) = [f for f in run.findings if f["kind"] == "weak-geometry" and len(f["points"]) > 1]
    assert found["points"] == [str(point) for point in range(101, 110)]
    assert "9 marks are sighted from S1" in found["says"] and "and 3 more" in found["says"]
