"""The tables of many jobs: what the files of the jobs say, each row once, read by others."""

from __future__ import annotations

import csv
import json
import math
import os
from pathlib import Path

import pytest

from tests.archive.archives import done as records
from tests.archive.archives import failing, run, started, tying, unproved, unreadable, wait_until
from tests.endtoend.jobs import copy_sample, files_below
from tieup.archive import parquet_tables
from tieup.write.archive_columns import FINDING_COLUMNS, JOB_COLUMNS

pandas = pytest.importorskip("pandas")
pytest.importorskip("pyarrow")
dataset = pytest.importorskip("pyarrow.dataset")

TABLES = ("jobs", "findings", "ties")


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Return a folder of jobs of every verdict, and one that cannot be read."""
    folder = tmp_path / "archive"
    folder.mkdir()
    tying(folder, "a")
    failing(folder, "b")
    unproved(folder, "c")
    unreadable(folder, "d")
    copy_sample("fire_station", folder)
    return folder


def same(read: object, printed: str) -> bool:
    """Compare a value of a table with the cell of a CSV."""
    if isinstance(read, str):
        return read == printed
    number = float(read)  # type: ignore[arg-type]
    return printed == "" if math.isnan(number) else number == float(printed)


def plain(value: object) -> object:
    """Return a value as JSON has it."""
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, list):
        return [plain(inner) for inner in value]
    if isinstance(value, dict):
        return {name: plain(inner) for name, inner in value.items()}
    return None if value is None or value != value else value


def test_the_tables_are_the_files_of_the_jobs(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By pandas: every row and cell of ties.csv, every finding of findings.json, of every job."""
    tables = tmp_path / "tables"
    status, out, _ = run(capsys, "reconcile", archive, "--results", tables)
    assert status == 1
    assert out.endswith(f"Written to {tables}: jobs.parquet, findings.parquet, ties.parquet\n")
    jobs, findings, ties = (pandas.read_parquet(tables / f"{name}.parquet") for name in TABLES)
    assert list(jobs) == list(JOB_COLUMNS) and list(findings) == list(FINDING_COLUMNS)
    assert list(jobs["job"]) == sorted(str(path) for path in archive.iterdir())
    compared = 0
    for job in (path for path in archive.iterdir() if (path / "out").exists()):
        with (job / "out" / "ties.csv").open(encoding="utf-8", newline="") as stream:
            printed = list(csv.DictReader(stream))
        own = ties[ties["job"] == str(job)].to_dict("records")
        assert len(own) == len(printed) > 0
        for row, cells in zip(own, printed, strict=True):
            assert list(row) == ["job", *cells]
            assert all(same(row[name], cell) for name, cell in cells.items())
        told = json.loads((job / "out" / "findings.json").read_text(encoding="utf-8"))
        found = findings[findings["job"] == str(job)].drop(columns="job").to_dict("records")
        assert [plain(row) for row in found] == told
        compared += len(told)
    assert compared >= 8


def test_the_row_of_a_job_is_its_record(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By pyarrow, as a data set: what run.json has; of a job without one, why."""
    tables = tmp_path / "tables"
    run(capsys, "reconcile", archive, "--results", tables)
    rows = dataset.dataset(tables / "jobs.parquet").to_table().to_pylist()
    assert len(rows) == 5
    for row in rows:
        path = Path(row["job"]) / "out" / "run.json"
        if not path.exists():
            assert row["status"] == 2 and row["verdict"] is None
            assert row["problems"].startswith("job.yaml:") and "fot" in row["problems"]
            continue
        record = json.loads(path.read_text(encoding="utf-8"))
        for name in ("status", "verdict", "version", "written", "datum", "dof", "sigma0"):
            assert row[name] == record[name], name
        assert row["rows"] == record["counts"]["rows"]
        assert row["used"] == record["counts"]["used"]
        assert row["length_unit"] == record["settings"]["units"]["length"]
        assert (row["first"], row["last"]) == tuple(record["surveyed"].values())
    all_tables = dataset.dataset([tables / f"{name}.parquet" for name in ("ties",)])
    assert all_tables.count_rows() > 60


@pytest.mark.slow
def test_going_on_doubles_no_row(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In parts, again, after a change, by another way to the same folder: as if at once."""
    parts, whole = tmp_path / "parts", tmp_path / "whole"
    run(capsys, "reconcile", archive / "a", archive / "b", "--results", parts)
    run(capsys, "reconcile", archive / "c", "--results", parts)
    run(capsys, "reconcile", archive, "--results", parts, "--workers", 2)
    here = Path.cwd()
    os.chdir(archive)
    try:
        run(capsys, "reconcile", "b", "./a", "--results", parts)
    finally:
        os.chdir(here)
    run(capsys, "reconcile", archive, "--results", whole)
    assert files_below(parts) == files_below(whole)
    with (archive / "b" / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write("# changed\n")
    ties = pandas.read_parquet(parts / "ties.parquet")
    run(capsys, "reconcile", archive / "b", "--results", parts)
    pandas.testing.assert_frame_equal(pandas.read_parquet(parts / "ties.parquet"), ties)
    text = (archive / "b" / "job.yaml").read_text(encoding="utf-8")
    (archive / "b" / "job.yaml").write_text(text.replace("length: ft", "length: x"), "utf-8")
    run(capsys, "reconcile", archive / "b", archive / "a", "--results", parts)
    left = pandas.read_parquet(parts / "ties.parquet")
    assert len(left) == len(ties) - (ties["job"] == str(archive / "b")).sum()
    jobs = pandas.read_parquet(parts / "jobs.parquet").set_index("job")
    assert jobs.loc[str(archive / "b"), "status"] == 2 and len(jobs) == 5


def test_a_run_that_is_cut_short_leaves_tables_of_what_is_done(tmp_path: Path) -> None:
    """All three are written, for the jobs that were done until then."""
    folder = tmp_path / "archive"
    folder.mkdir()
    for name in "abcdef":
        tying(folder, name)
    process = started(tmp_path, "reconcile", "archive", "--results", "tables")
    wait_until(lambda: len(records(folder)) >= 2)
    process.terminate()
    process.communicate(timeout=60)
    jobs = pandas.read_parquet(tmp_path / "tables" / "jobs.parquet")
    assert 1 <= len(jobs) <= 6 and set(jobs["verdict"]) == {"ties"}


def test_no_tables_where_no_job_can_be_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2 means that nothing was written."""
    job, tables = unreadable(tmp_path, "a"), tmp_path / "tables"
    assert run(capsys, "reconcile", job, "--results", tables)[0] == 2
    assert not tables.exists()


@pytest.mark.parametrize("where", [".", "raw", "out"])
def test_tables_never_go_into_a_job(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], where: str
) -> None:
    """A job folder holds a job; nothing is run."""
    job = tying(tmp_path, "a")
    status, _, err = run(capsys, "reconcile", job, "--results", job / where)
    assert status == 2 and f"lies in the job folder {job}" in err
    assert not (job / "out").exists()


def test_what_is_not_tieups_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file of the same name that no record lists, and a table that is none."""
    job, tables = tying(tmp_path, "a"), tmp_path / "tables"
    tables.mkdir()  # before anything is run
    (tables / "ties.parquet").write_text("mine", encoding="utf-8")
    status, _, err = run(capsys, "reconcile", job, "--results", tables)
    assert status == 2 and "was not written by tieup" in err
    assert (tables / "ties.parquet").read_text(encoding="utf-8") == "mine"
    assert list(tables.iterdir()) == [tables / "ties.parquet"]
    assert not (job / "out").exists()
    (tables / "ties.parquet").unlink()
    assert run(capsys, "reconcile", job, "--results", tables)[0] == 0
    (tables / "ties.parquet").write_text("broken", encoding="utf-8")
    status, _, err = run(capsys, "reconcile", job, "--results", tables)
    assert status == 2 and "ties.parquet: cannot be read" in err
    assert (tables / "ties.parquet").read_text(encoding="utf-8") == "broken"


def test_without_the_library_it_says_what_to_install(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before anything is run."""
    monkeypatch.setattr(parquet_tables, "find_spec", lambda name: None)
    job = tying(tmp_path, "a")
    status, _, err = run(capsys, "reconcile", job, "--results", tmp_path / "tables")
    assert status == 2 and 'pip install "tieup[fleet]"' in err and "pyarrow" in err
    assert not (job / "out").exists()


def test_batches_come_to_the_same(
    archive: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """How many jobs are held as rows at a time changes nothing in the tables."""
    run(capsys, "reconcile", archive, "--results", tmp_path / "one")
    monkeypatch.setattr(parquet_tables, "BATCH", 2)
    run(capsys, "reconcile", archive, "--results", tmp_path / "two")
    assert files_below(tmp_path / "one") == files_below(tmp_path / "two")
