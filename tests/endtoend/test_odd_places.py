"""Names, files and settings at the edge of what a disk holds: results, or words and no results."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.endtoend.jobs import Output, copy_sample, put, reconcile
from tieup import cli, pipeline, planning
from tieup.config.files import rule_sets
from tieup.read import control_reader as control
from tieup.read import links_reader as links

Capture = pytest.CaptureFixture[str]
TABLE = "raw/s1.csv"


def lines_of(job: Path, name: str) -> list[list[str]]:
    """Return the cells of a table of a sample."""
    return [line.split(",") for line in (job / name).read_text(encoding="utf-8").splitlines()]


def write_lines(job: Path, name: str, rows: list[list[str]]) -> None:
    """Write a table of a job."""
    text = "".join(",".join(row) + "\n" for row in rows)
    (job / name).write_text(text, encoding="utf-8")


def with_setting(job: Path, old: str, new: str) -> None:
    """Put a setting into job.yaml."""
    text = (job / "job.yaml").read_text(encoding="utf-8")
    assert old in text
    (job / "job.yaml").write_text(text.replace(old, new), encoding="utf-8")


def assert_whole(run: Output) -> None:
    """Check that a run is complete and nothing of it is no number."""
    assert run.status in (0, 1), run.errors
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "nan times" not in page
    assert "(inf" not in page


@pytest.mark.parametrize("verb", ["reconcile", "ties"])
def test_a_string_of_marks_that_both_setups_shot(verb: str, tmp_path: Path) -> None:
    """No point of the job is shot once: lines hang on no setup alone."""
    job = copy_sample("two_setups", tmp_path)
    for name in (TABLE, "raw/s2.csv"):
        header, *rows = lines_of(job, name)
        kept = [row for row in rows if row[header.index("role")] != "side"]
        for row in kept:
            if row[1].startswith("T"):
                row[header.index("string")] = "LINE"
        write_lines(job, name, [header, *kept])
    assert cli.outcome([verb, str(job)]) in (0, 1)


@pytest.mark.parametrize("sample", ["two_setups", "fire_station"])
def test_every_distance_left_out(sample: str, tmp_path: Path, capsys: Capture) -> None:
    """By decision: side shots have no place then, marks by directions still do."""
    job = copy_sample(sample, tmp_path)
    decision = "decisions:\n  - {exclude: {kind: distance}, reason: x}"
    with_setting(job, "decisions:", decision)
    run = reconcile(capsys, job)
    assert_whole(run)
    for point, row in run.by("coordinates", "point").items():
        if row["role"] != "derived":
            assert bool(row["northing"]) == (row["role"] != "shot"), point


@pytest.mark.parametrize("offset", [0.5, 400.0])
def test_a_setup_that_stored_elevations_only_and_wrong(
    offset: float, tmp_path: Path, capsys: Capture
) -> None:
    """All of one setup stored too high: said as high, with no direction to it."""
    job = copy_sample("two_setups", tmp_path)
    right = reconcile(capsys, job, tmp_path / "first").by("coordinates", "point")
    header, *rows = lines_of(job, TABLE)
    stored = [f"{float(right[row[1]]['elevation']) + offset:.3f}" for row in rows]
    cells = [[*row, height] for row, height in zip(rows, stored, strict=True)]
    write_lines(job, TABLE, [[*header, "field_elevation"], *cells])
    run = reconcile(capsys, job)
    assert_whole(run)
    (told,) = [row["says"] for row in run.table("field_setups") if row["setup"] == "S1"]
    assert f"{offset:.3f} ft high" in told


@pytest.mark.parametrize("sample", ["two_setups", "fire_station"])
def test_control_of_one_place(sample: str, tmp_path: Path, capsys: Capture) -> None:
    """Placeholders for coordinates: refused in words, as no two marks agree with the shots."""
    job = copy_sample(sample, tmp_path)
    header, *rows = lines_of(job, "control.csv")
    same = [[row[0], "0", "0", "100", *row[4:]] for row in rows]
    write_lines(job, "control.csv", [header, *same])
    run = reconcile(capsys, job)
    assert run.status == 2
    assert "0.000 m apart by control" in run.errors


def test_a_file_name_of_bytes_that_are_no_text(tmp_path: Path, capsys: Capture) -> None:
    """As from an old archive: the byte is spelled out in every table."""
    job = copy_sample("two_setups", tmp_path)
    (job / TABLE).rename(os.fsdecode(os.fsencode(job / "raw") + b"/M\xe4rz.csv"))
    run = reconcile(capsys, job)
    assert_whole(run)
    assert {row["file"] for row in run.table("observations")} == {
        "raw/M\\udce4rz.csv",
        "raw/s2.csv",
    }


def test_a_job_folder_of_bytes_that_are_no_text(tmp_path: Path, capsys: Capture) -> None:
    """Its name stands for the title that is not given."""
    job = copy_sample("two_setups", tmp_path)
    with_setting(job, "title: Loading dock, two setups\n", "")
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/j\xe4b"))
    job.rename(odd)
    assert_whole(reconcile(capsys, odd, None, "--quiet"))


def test_a_number_used_for_two_points(tmp_path: Path, capsys: Capture) -> None:
    """The rivals of what has no statistic have none either: no "nan times its own sd"."""
    job = copy_sample("two_setups", tmp_path)
    put(job, "raw/s2.csv", "point", "201", [14])
    assert_whole(reconcile(capsys, job))


@pytest.mark.parametrize("marks", [3, 4])
def test_angles_on_the_danger_circle(marks: int, tmp_path: Path, capsys: Capture) -> None:
    """Three or four marks and the instrument on one circle: not told to sight three marks."""
    job = copy_sample("two_setups", tmp_path)
    (job / "raw" / "s2.csv").unlink()
    with_setting(job, "{angle: dms, length: ft}", "{angle: deg, length: m}")
    around = np.radians([10, 80, 150, 220, 300])
    places = 50.0 * np.column_stack([np.cos(around), np.sin(around)])
    known = [[f"CP{i + 1}", f"{n:.4f}", f"{e:.4f}", "0"] for i, (n, e) in enumerate(places)]
    header = ["point", "northing", "easting", "elevation"]
    write_lines(job, "control.csv", [header, *known[:marks]])
    away = places[:marks] - places[-1]
    turn = np.degrees(np.arctan2(away[:, 1], away[:, 0])) % 360.0
    shots = [["S1", f"CP{i + 1}", f"{angle:.5f}", "90"] for i, angle in enumerate(turn)]
    shots.append(["S1", "X", "10", "90"])
    write_lines(job, TABLE, [["setup", "point", "direction", "zenith"], *shots])
    run = reconcile(capsys, job)
    assert run.status == 2
    assert "stand on the circle through the marks" in run.errors
    assert "angles alone need" not in run.errors


@pytest.mark.parametrize("sd", ["1e-300", "1e-9"])
def test_a_control_sd_no_mark_can_have(sd: str, tmp_path: Path, capsys: Capture) -> None:
    """Refused with its line; half of the rows would go unused."""
    job = copy_sample("two_setups", tmp_path)
    put(job, "control.csv", "sd_northing", sd, [2])
    run = reconcile(capsys, job)
    assert run.status == 2
    assert f'control.csv:3: sd_northing "{sd}" is finer than any mark is known' in run.errors


@pytest.mark.parametrize("name", ["job.yaml", TABLE, "control.csv", "levels.csv", "rules.yaml"])
@pytest.mark.parametrize("what", ["pipe", "device", "hole"])
def test_what_has_no_end_is_not_read(name: str, what: str, tmp_path: Path, capsys: Capture) -> None:
    """A pipe, a device, a file that states 1 TB and holds nothing: told with what it is."""
    job = copy_sample("two_setups", tmp_path)
    more = {"levels.csv": "levels: levels.csv", "rules.yaml": "rules: [rules.yaml]"}.get(name, "")
    with_setting(job, "datum: control", f"datum: control\n{more}")
    (job / name).unlink(missing_ok=True)
    if what == "pipe":
        os.mkfifo(job / name)
    elif what == "device":
        (job / name).symlink_to("/dev/zero")
    else:
        (job / name).touch()
        os.truncate(job / name, 1 << 40)
    run = reconcile(capsys, job)
    assert run.status == 2
    told = "1,099,512 MB, and at most 256 MB are read" if what == "hole" else "a device or the like"
    assert told in run.errors
    assert name in run.errors


@pytest.mark.parametrize("what", ["link", "folder"])
@pytest.mark.parametrize("datum", ["", "datum: free"])
def test_a_control_list_that_is_there_and_none_is_not_passed(
    what: str, datum: str, tmp_path: Path, capsys: Capture
) -> None:
    """A broken link called control.csv: never a free site in silence."""
    job = copy_sample("two_setups", tmp_path)
    with_setting(job, "control: control.csv\ndatum: control", datum)
    (job / "control.csv").unlink()
    if what == "link":
        (job / "control.csv").symlink_to("/nowhere/control.csv")
    else:
        (job / "control.csv").mkdir()
    run = reconcile(capsys, job)
    assert run.status == 2
    assert 'control is "control.csv", which is a ' in run.errors


@pytest.mark.parametrize("name", ["rules.yaml", "sights.csv"])
def test_a_file_that_changes_while_it_is_read_stops_the_run(
    name: str, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """run.json and plan.json never have the hash of another version than was used."""
    job = copy_sample("two_setups", tmp_path)
    if name == "rules.yaml":
        text = rule_sets("rules")["paving"].read_text(encoding="utf-8")
        (job / name).write_text(text.replace("name: paving", "name: our paving"), encoding="utf-8")
        with_setting(job, "datum: control", f"datum: control\nrules: [{name}]")
        reader, room, arguments = "rules_of", pipeline, ["reconcile", str(job)]
    else:
        (job / name).write_text("setup,station,point\nS9,CP1,CP2\nS9,CP1,T1\n", encoding="utf-8")
        with_setting(job, "datum: control", f"datum: control\nplan: {{sights: {name}}}")
        reader, room, arguments = "read_plan", planning, ["plan", str(job)]
    assert cli.outcome(arguments) in (0, 1)
    read = getattr(room, reader)

    def read_and_change(*taken: Any) -> Any:
        found = read(*taken)
        (job / name).write_text(f"{(job / name).read_text(encoding='utf-8')}\n", encoding="utf-8")
        return found

    monkeypatch.setattr(room, reader, read_and_change)
    capsys.readouterr()
    assert cli.outcome(arguments) == 2
    assert f"{name}: changed while it was read. Run it again" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["job.yaml", "control.csv", "levels.csv"])
def test_hashes_are_those_of_the_bytes_used(
    name: str, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that is replaced once it was read: run.json has the hash of what was read."""
    job = copy_sample("two_setups", tmp_path)
    (job / "levels.csv").write_text("from,to,difference,sd\nCP1,CP2,1.1,0.01\n", encoding="utf-8")
    with_setting(job, "datum: control", "datum: control\nlevels: levels.csv")
    before = hashlib.sha256((job / name).read_bytes()).hexdigest()
    read_list = links.read_list

    def read_and_replace(path: Path, *taken: Any, **named: Any) -> Any:
        columns = read_list(path, *taken, **named)
        if path.name == ("levels.csv" if name == "levels.csv" else "control.csv"):
            (job / name).write_text(f"{(job / name).read_text()}\n", encoding="utf-8")
        return columns

    monkeypatch.setattr(control, "read_list", read_and_replace)
    if name != "levels.csv":
        assert reconcile(capsys, job).document("run")["inputs"][name] == before
        return
    calls: list[str] = []

    def second_time(path: Path, *taken: Any, **named: Any) -> Any:
        calls.append(path.name)
        wanted = read_and_replace if len(calls) == 2 else read_list  # the rows of the solution
        return wanted(path, *taken, **named)

    monkeypatch.setattr(links, "read_list", second_time)
    assert reconcile(capsys, job).document("run")["inputs"][name] == before


@pytest.mark.parametrize(
    "arguments", [["new", ""], ["demo", ""], ["reconcile", ""], ["ties", ""], ["audit", ""]]
)
def test_an_empty_folder_name_is_no_folder(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of an unset variable: nothing goes into the working folder."""
    monkeypatch.chdir(tmp_path)
    assert cli.outcome(arguments) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["new", "demo", "reconcile", "ties", "audit", "plan"])
def test_a_folder_name_longer_than_names_can_be(
    command: str, tmp_path: Path, capsys: Capture
) -> None:
    """Words, whatever the command."""
    assert cli.outcome([command, str(tmp_path / ("x" * 300))]) == 2
    assert "fault of the tool" not in capsys.readouterr().err


def test_a_demo_that_cannot_be_copied_takes_nothing_away(tmp_path: Path) -> None:
    """A folder in its place stays, with what is in it."""
    there = tmp_path / "yard"
    there.mkdir()
    (there / "notes.txt").write_text("mine", encoding="utf-8")
    assert cli.outcome(["demo", str(there)]) == 2
    assert [path.name for path in there.iterdir()] == ["notes.txt"]
