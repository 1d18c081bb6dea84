"""A job on its way: how it is called, and a frame without control."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, copy_sample, decide, reconcile
from tieup import cli
from tieup.model.observations import KINDS

Capture = pytest.CaptureFixture[str]
WRONG = 2  # exit status: the input or the call is wrong
HEADER = "point,northing,easting,elevation\n"


def test_the_file_instead_of_the_folder(tmp_path: Path, capsys: Capture) -> None:
    """`tieup reconcile job/job.yaml` says which folder to name; nothing is written."""
    job = copy_sample("two_setups", tmp_path)
    run = reconcile(capsys, job / "job.yaml", tmp_path / "out")
    assert run.status == WRONG and not run.folder.exists()
    assert "job.yaml: is a file. Name its job folder: " in run.errors
    assert run.errors.rstrip().endswith("two_setups")


@pytest.mark.parametrize("below", ["raw/s1.csv", "raw"])
def test_a_raw_file_or_folder_instead_of_the_job(
    tmp_path: Path, capsys: Capture, below: str
) -> None:
    """`tieup reconcile job/raw/s1.csv` names the job, not the folder of raw files."""
    job = copy_sample("two_setups", tmp_path)
    run = reconcile(capsys, job / below, tmp_path / "out")
    assert run.status == WRONG
    assert run.errors.rstrip().endswith("Name its job folder: " + str(job))


def test_a_file_in_no_job(tmp_path: Path, capsys: Capture) -> None:
    """There is no folder to name: what a job is."""
    (tmp_path / "a.csv").write_text("x\n", encoding="utf-8")
    run = reconcile(capsys, tmp_path / "a.csv", tmp_path / "out")
    assert run.status == WRONG and "Expected a job folder with job.yaml" in run.errors


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


def test_rows_used_in_part_are_told(undecided: Output) -> None:
    """Rows are counted as rows; those of which a reading is left out are told beside."""
    run = undecided
    fates: dict[tuple[str, str], set[str]] = {}
    raw = [row for row in run.table("observations") if row["kind"] in KINDS]
    for row in raw:
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
        # behind it stand sources, in words of theirs
        own = re.split(r"\n(?:For the use of|Check independently)", screen)[0]
        lines = [line for line in own.splitlines() if " plan" in line or " low" in line]
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


def filled(folder: Path, capsys: Capture) -> Path:
    """Start a job as `tieup new` says, and fill it in with the sample of two setups."""
    job = folder / "north_bay"
    assert cli.outcome(["new", str(job)]) == 0
    sample = copy_sample("two_setups", folder)
    text = (job / "job.yaml").read_text(encoding="utf-8")
    text = text.replace("units: {angle: dms, length: m}", "units: {angle: dms, length: ft}")
    (job / "job.yaml").write_text(text, encoding="utf-8")
    with (job / "control.csv").open("a", encoding="utf-8") as stream:
        rows = (sample / "control.csv").read_text(encoding="utf-8").splitlines()
        head = rows[0].split(",")
        names = ("point", "northing", "easting", "elevation")
        for row in rows[1:]:
            cells = dict(zip(head, row.split(","), strict=True))
            stream.write(",".join([*(cells[name] for name in names), "", "", "", ""]) + "\n")
    for path in (sample / "raw").glob("*.csv"):
        (job / "raw" / path.name).write_bytes(path.read_bytes())
    capsys.readouterr()
    return job


def test_a_new_job_runs_to_the_letter(tmp_path: Path, capsys: Capture) -> None:
    """Fill in job.yaml and control.csv, put the raw files into raw/: it runs, and is called so."""
    job = filled(tmp_path, capsys)
    run = reconcile(capsys, job)
    assert run.status == 0, run.errors + run.text
    found = run.finding("empty-file")
    assert (found["severity"], "raw/day1.csv" in found["says"]) == ("note", True)
    assert run.text.startswith("north_bay: THE SITE TIES")
    assert run.document("run")["counts"]["rows"] == 48


def test_an_empty_new_job_says_what_to_do(tmp_path: Path, capsys: Capture) -> None:
    """No raw file but the empty table: an error that names the folder."""
    job = tmp_path / "bay"
    assert cli.outcome(["new", str(job)]) == 0
    run = reconcile(capsys, job)
    assert run.status == WRONG
    assert "raw/day1.csv: no shot stands in it" in run.errors
    assert "Put the raw files into " in run.errors and "or fill it in" in run.errors


def test_a_header_alone_of_another_file_is_still_an_error(tmp_path: Path, capsys: Capture) -> None:
    """Only the table that `tieup new` wrote is skipped: an export without rows has failed."""
    job = filled(tmp_path, capsys)
    (job / "raw" / "s3.csv").write_text("setup,point,direction\n", encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == WRONG and "raw/s3.csv:1: has a header and no rows" in run.errors


def test_the_new_table_has_what_strings_need(tmp_path: Path, capsys: Capture) -> None:
    """Its example rows, without their #, are read with round, code, string and note."""
    job = filled(tmp_path, capsys)
    path = job / "raw" / "day1.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    examples = [line[2:] for line in lines if line.startswith("# S1,")]
    assert len(examples) == 2
    path.write_text("\n".join([*lines, *examples]) + "\n", encoding="utf-8")
    assert cli.outcome(["audit", str(job), "--rows", "2", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["rows"][str(job)]
    row = next(row for row in rows if row["file"] == "raw/day1.csv" and row["point"] == "112")
    assert (row["code"], row["note"], row["target_height"]) == ("TC", "chipped", "1.5000")
    header = next(line for line in lines if line.startswith("setup,"))
    assert {"code", "string", "round", "note"} <= set(header.split(","))


def test_a_job_without_a_title_is_called_by_its_folder(tmp_path: Path, capsys: Capture) -> None:
    """Every screen and the page, from wherever it is called."""
    job = copy_sample("two_setups", tmp_path)
    text = (job / "job.yaml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("title:")]
    (job / "job.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.text.startswith("two_setups: ")
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "Untitled" not in page and "two_setups" in page
    for command in (["ties"], ["audit"], ["plan"]):
        cli.outcome([*command, str(job)])
        assert "two_setups: " in capsys.readouterr().out, command


def test_a_height_booked_at_a_free_station_is_shown(tmp_path: Path, capsys: Capture) -> None:
    """`audit --rows` shows the cell as it was booked, and that it is not used."""
    job = copy_sample("two_setups", tmp_path)
    path = job / "raw" / "s1.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    lines = [f"{head},instrument_height", *(f"{row},5.21" for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert cli.outcome(["audit", str(job), "--rows", "1", "--json"]) == 0
    first, second = json.loads(capsys.readouterr().out)["rows"][str(job)]
    assert first["instrument_height"] == "5.2100"
    assert first["reason"] == "a free station: its height is not used"
    assert (second["instrument_height"], second["reason"]) == ("", "")


def called_like_a_mark(folder: Path, *, height: str = "") -> Path:
    """Return a sample whose free setup S2 is called CP1, perhaps with a booked height."""
    job = copy_sample("two_setups", folder)
    path = job / "raw" / "s2.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    assert all(row.startswith("S2,") for row in rows)
    lines = [f"{head},instrument_height", *(f"CP1,{row[3:]},{height}" for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return job


def test_a_free_setup_called_like_a_mark_gets_another_name(
    tmp_path: Path, capsys: Capture, plain_dock: Output
) -> None:
    """No two points of one name: it is called CP1~setup, and that is said."""
    run = reconcile(capsys, called_like_a_mark(tmp_path))
    places = run.by("coordinates", "point")  # each name once
    assert places["CP1"]["role"] == "control"
    assert places["CP1~setup"]["role"] == "station"
    found = run.finding("name-collision")
    assert (found["severity"], found["points"], found["setup"]) == ("check", ["CP1"], "CP1~setup")
    assert found["lines"] == ["raw/s2.csv:2"]
    assert "station: CP1" in found["cure"]
    assert run.place("T1") == plain_dock.place("T1") and run.place("CP1") == plain_dock.place("CP1")


@pytest.mark.parametrize("height", ["5.21", ""])
def test_a_station_that_a_decision_sets_takes_the_height_that_was_booked(
    tmp_path: Path, capsys: Capture, height: str, plain_dock: Output
) -> None:
    """A free station has no use for its height; over a mark it counts, or there is none."""
    job = called_like_a_mark(tmp_path, height=height)
    run = reconcile(capsys, decide(job, "{set: {setup: CP1, station: CP9}, reason: sketch}"))
    assert run.status != WRONG, run.errors
    told = [f for f in run.findings if f["kind"] == "instrument-height"]
    assert "name-collision" not in {f["kind"] for f in run.findings}
    elevation = run.by("coordinates", "point")["CP9"]["elevation"]
    if height:
        axis = plain_dock.place("S2")[2]
        assert not told and float(elevation) == pytest.approx(axis - 5.21, abs=5e-3)  # ft
    else:
        assert elevation == "" and "over CP9 booked no instrument height" in told[0]["says"]
