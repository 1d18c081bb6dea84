"""What is done and unchanged is skipped; anything that changed is run again, and nothing else."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.archive.archives import run, tying
from tests.endtoend.jobs import JOBS, copy_sample, files_below
from tieup import __version__
from tieup.archive.one_job import Commission, reconciled
from tieup.archive.unchanged import input_files, is_done
from tieup.config import load_job
from tieup.library import reconciled_job
from tieup.write.exchange.formats import Exchange


@pytest.fixture
def archive(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Return a folder of three jobs that are done."""
    for name in "abc":
        tying(tmp_path, name)
    status, out, _ = run(capsys, "reconcile", tmp_path)
    assert (status, skipped(out)) == (0, 0)
    return tmp_path


def skipped(text: str) -> int:
    """Return how many jobs the last line says were skipped."""
    found = re.search(r"; (\d+) skipped, done before and unchanged", text)
    return int(found[1]) if found else 0


def test_what_is_done_is_skipped_and_told_as_before(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No file is written anew, and every line is what it was."""
    before = {path: path.stat().st_mtime_ns for path in archive.rglob("*")}
    tying(archive, "d")
    first = run(capsys, "reconcile", archive)[1]
    status, out, _ = run(capsys, "reconcile", archive)
    assert (status, skipped(first), skipped(out)) == (0, 3, 4)
    assert out.splitlines()[:5] == first.splitlines()[:5]
    kept = {path for path in before if path.is_file()}
    assert {path: path.stat().st_mtime_ns for path in kept} == {p: before[p] for p in kept}


def append(path: Path) -> None:
    """Put a comment at the end of a file."""
    with path.open("a", encoding="utf-8") as stream:
        stream.write("# seen\n")


def rename_version(path: Path) -> None:
    """Let a record say that another version of the tool has written it."""
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(f'"version": "{__version__}"', '"version": "0.0.1"'), "utf-8")


CHANGES: dict[str, Callable[[Path], object]] = {
    "a raw file": lambda job: append(job / "raw" / "s1.csv"),
    "job.yaml": lambda job: append(job / "job.yaml"),
    "the control list": lambda job: append(job / "control.csv"),
    "a raw file more": lambda job: (job / "raw" / "s3.csv").write_text(
        (job / "raw" / "s2.csv").read_text("utf-8").replace("S2,", "S3,"), "utf-8"
    ),
    "a raw file less": lambda job: (job / "raw" / "s2.csv").unlink(),
    "a result edited": lambda job: append(job / "out" / "coordinates.csv"),
    "a result gone": lambda job: (job / "out" / "findings.json").unlink(),
    "the version": lambda job: rename_version(job / "out" / "run.json"),
    "all results gone": lambda job: (job / "out").rename(job / "old"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_job_that_changed_is_run_again_and_no_other(
    archive: Path, capsys: pytest.CaptureFixture[str], what: str
) -> None:
    """Whatever of its inputs or of its results it was."""
    CHANGES[what](archive / "b")
    times = {name: (archive / name / "out" / "run.json").stat().st_ino for name in "ac"}
    _, out, _ = run(capsys, "reconcile", archive)
    assert skipped(out) == 2, out
    assert {n: (archive / n / "out" / "run.json").stat().st_ino for n in "ac"} == times
    again = run(capsys, "reconcile", archive)[1]
    assert skipped(again) == 3, again


@pytest.mark.slow
def test_other_options_are_another_run(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Files of --also are part of what is done, with their unit and choice of points."""
    calls = [
        (["--also", "pnezd"], 0),
        (["--also", "pnezd"], 3),
        (["--also", "pnezd", "--role", "control"], 0),
        (["--also", "pnezd", "--role", "control", "--unit", "m"], 0),
        (["--unit", "m", "--role", "control", "--also", "pnezd"], 3),
        ([], 0),
        ([], 3),
    ]
    for options, expected in calls:
        assert skipped(run(capsys, "reconcile", archive, *options)[1]) == expected, options
    assert not (archive / "a" / "out" / "points.txt").exists()


def test_what_a_killed_worker_of_this_run_has_written_was_not_done_before(archive: Path) -> None:
    """Another worker finds it done: it is not run again, and not told as skipped."""
    record = archive / "a" / "out" / "run.json"
    written = record.stat()
    for began, expected in ((written.st_mtime - 0.01, False), (written.st_mtime + 0.01, True)):
        job = reconciled(Commission("a", archive / "a", began=began))
        assert (job.verdict, job.skipped) == ("ties", expected)
    assert record.stat().st_ino == written.st_ino


def test_a_run_of_one_job_counts_as_done(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And a job alone is always run: who names one wants it."""
    one, two = tying(tmp_path, "a"), tying(tmp_path, "b")
    run(capsys, "reconcile", one)
    inode = (one / "out" / "run.json").stat().st_ino
    assert skipped(run(capsys, "reconcile", one, two)[1]) == 1
    assert (one / "out" / "run.json").stat().st_ino == inode
    run(capsys, "reconcile", one)
    assert (one / "out" / "run.json").stat().st_ino != inode


def test_marks_of_another_job_are_an_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where that job is measured anew, the one that took its marks is run again too."""
    source, other = tying(tmp_path, "z"), tying(tmp_path, "a")
    path = other / "job.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("control: control.csv", "control: {job: ../z}"), "utf-8")
    assert run(capsys, "reconcile", tmp_path)[0] == 0
    assert skipped(run(capsys, "reconcile", tmp_path)[1]) == 2
    control = source / "control.csv"
    moved = control.read_text(encoding="utf-8").replace("3000.0000", "3000.0100")
    control.write_text(moved, encoding="utf-8")
    before = (other / "out" / "coordinates.csv").read_bytes()
    assert skipped(run(capsys, "reconcile", tmp_path)[1]) == 0
    assert (other / "out" / "coordinates.csv").read_bytes() != before


@pytest.mark.parametrize("sample", [*JOBS, "drill_yard"])
def test_every_input_that_a_run_records_is_looked_at(sample: str, tmp_path: Path) -> None:
    """The files that are compared are those of run.json, neither more nor fewer."""
    job = copy_sample(sample, tmp_path)
    reconciled_job.reconciled_job(job, job / "out", Exchange())
    loaded = load_job(job)
    recorded = json.loads((job / "out" / "run.json").read_text(encoding="utf-8"))["inputs"]
    assert {"job.yaml", *map(loaded.name_of, input_files(loaded))} == set(recorded)
    assert is_done(loaded, job / "out", Exchange())


def test_a_record_leads_nowhere(archive: Path) -> None:
    """A foreign run.json cannot make tieup open a device or a file elsewhere."""
    job, out = load_job(archive / "a"), archive / "a" / "out"
    path = out / "run.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    assert is_done(job, out, Exchange())
    for change in (
        {"inputs": {**record["inputs"], "/dev/zero": "0"}},
        {"files": [*record["files"], "../../x"], "sha256": {**record["sha256"], "../../x": "0"}},
        {"inputs": None},
        {"sha256": {}},
        {"version": None},
    ):
        path.write_text(json.dumps(record | change), encoding="utf-8")
        assert not is_done(job, out, Exchange()), change
    path.write_text(json.dumps(record), encoding="utf-8")
    (out / "ties.csv").unlink()
    os.mkfifo(out / "ties.csv")  # a pipe that nobody writes into would never end
    assert not is_done(job, out, Exchange())


def test_a_killed_runs_leftovers_hinder_nobody(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stage beside out/ is no job and no result."""
    stage = archive / "b" / ".tieup-left"
    (stage / "new").mkdir(parents=True)
    (stage / "lock").write_text("out", encoding="utf-8")
    assert skipped(run(capsys, "reconcile", archive)[1]) == 3
    append(archive / "b" / "job.yaml")
    assert skipped(run(capsys, "reconcile", archive)[1]) == 2
    assert not stage.exists()
    assert ".tieup" not in "".join(files_below(archive))
