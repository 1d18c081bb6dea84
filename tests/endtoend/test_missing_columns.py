"""A column that a whole raw file lacks: a matter of the file, said first, never in silence."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, copy_sample, decide, reconcile
from tieup import cli

Capture = pytest.CaptureFixture[str]


def without(path: Path, *columns: str, empty: bool = False) -> None:
    """Take columns out of a raw table, or their cells alone."""
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(line for line in stream if not line.startswith("#")))
    places = [place for place, name in enumerate(rows[0]) if name in columns]
    assert len(places) == len(columns)
    if empty:
        rows = [rows[0], *([("" if p in places else c) for p, c in enumerate(r)] for r in rows[1:])]
    else:
        rows = [[cell for place, cell in enumerate(row) if place not in places] for row in rows]
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)


def run_without(
    folder: Path, capsys: Capture, files: tuple[str, ...], *columns: str, name: str, empty: bool
) -> Output:
    """Reconcile a sample of which files lack columns."""
    job = copy_sample(name, folder)
    for path in sorted((job / "raw").glob("*.csv")):
        if not files or path.name in files:
            without(path, *columns, empty=empty)
    return reconcile(capsys, job)


@pytest.mark.parametrize("empty", [False, True])
def test_one_file_without_heights_among_others_is_a_stop(
    tmp_path: Path, capsys: Capture, empty: bool
) -> None:
    """Its marks fit with a free station at a wrong height: nothing but the column tells."""
    options = {"name": "two_setups", "empty": empty}
    run = run_without(tmp_path, capsys, ("s1.csv",), "target_height", **options)
    assert run.status == 1
    first = run.findings[0]
    assert (first["kind"], first["severity"]) == ("missing-column", "stop")
    assert first["lines"] == ["raw/s1.csv:1"]
    assert ("is empty" if empty else "there is no column") in first["says"]
    assert "raw/s1.csv" in run.text


def test_the_crew_is_not_blamed_for_a_missing_column(tmp_path: Path, capsys: Capture) -> None:
    """Occupied setups and no heights at all: the file first, then what may come of it."""
    options = {"name": "fire_station_clean", "empty": False}
    run = run_without(tmp_path, capsys, (), "target_height", **options)
    first = run.findings[0]
    assert run.status == 1
    assert (first["kind"], first["severity"]) == ("missing-column", "stop")
    assert len(first["lines"]) == 5
    for finding in run.findings:
        if finding["kind"] in ("instrument-height", "target-height"):
            assert not finding["decidable"]
            assert finding["confirm"].startswith(f"Settle {first['id']} first")
            assert "accept" not in finding["cure"]
    assert "{accept:" not in run.text


def test_free_setups_without_any_heights_are_to_be_checked(tmp_path: Path, capsys: Capture) -> None:
    """One pole all day over free setups changes nothing: a check, and never silence."""
    options = {"name": "two_setups", "empty": False}
    run = run_without(tmp_path, capsys, (), "target_height", **options)
    found = run.finding("missing-column")
    assert found["severity"] == "check" and len(found["lines"]) == 2
    assert run.status == 1 or "to check" in run.text


def test_a_missing_distance_is_a_matter_of_the_file(tmp_path: Path, capsys: Capture) -> None:
    """File and column are said before the marks that have no place for want of it."""
    options = {"name": "fire_station_clean", "empty": False}
    run = run_without(tmp_path, capsys, ("s2.csv",), "distance", **options)
    found = run.finding("missing-column")
    checks = [finding["kind"] for finding in run.findings if finding["severity"] == "check"]
    assert found["severity"] == "check" and checks[0] == "missing-column"
    assert found["says"].startswith("raw/s2.csv: there is no column distance")


def test_a_column_that_every_file_lacks_is_on_the_first_screen(
    tmp_path: Path, capsys: Capture
) -> None:
    """Without a distance anywhere the site is solved by angles, and the column is said."""
    options = {"name": "fire_station_clean", "empty": False}
    run = run_without(tmp_path, capsys, (), "distance", **options)
    assert run.status == 1, run.errors
    assert f"CHECK {run.finding('missing-column')['id']}" in run.text
    assert "there is no column distance" in run.text


def test_heights_that_decisions_set_settle_it(tmp_path: Path, capsys: Capture) -> None:
    """The cure of the message, as it is written: the stop becomes a note."""
    job = copy_sample("two_setups", tmp_path)
    without(job / "raw" / "s1.csv", "target_height")
    decide(job, "{set: {setup: S1, target_height: 5.0}, reason: book}")
    run = reconcile(capsys, job)
    assert run.finding("missing-column")["severity"] == "note"
    assert run.status == 0, run.text


def test_one_height_for_every_row_settles_it(tmp_path: Path, capsys: Capture) -> None:
    """``columns: {target_height: {value: 0}}`` says on purpose that there were no poles."""
    options = {"name": "two_setups", "empty": False}
    run = run_without(tmp_path, capsys, (), "target_height", **options)
    cure = run.finding("missing-column")["cure"]
    stated = cure.split("for all of them: ")[1].split(". If every")[0]
    assert "target_height: {value: 0}" in stated
    path = tmp_path / "two_setups" / "job.yaml"
    path.write_text(f"{path.read_text(encoding='utf-8')}{stated}\n", encoding="utf-8")
    again = reconcile(capsys, tmp_path / "two_setups")
    assert not [f for f in again.findings if f["kind"] == "missing-column"], again.errors


def test_the_audit_names_what_a_file_lacks(tmp_path: Path, capsys: Capture) -> None:
    """Raw rows alone, before any solution: file, line of the header, and the columns."""
    job = copy_sample("two_setups", tmp_path)
    without(job / "raw" / "s1.csv", "target_height", "distance")
    assert cli.outcome(["audit", str(job)]) != 2
    said = " ".join(capsys.readouterr().out.split())
    assert "raw/s1.csv:1: no column distance and no target_height" in said
