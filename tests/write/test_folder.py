"""The set of result files: whole or not at all, and never among the inputs."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.write.sample import make_job, make_site
from tieup.errors import OutputError
from tieup.write.folder import WRITERS, check_target, timestamp, write_results, write_set

CLOCK = "2024-05-01T10:00:00+00:00"


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {
        file.relative_to(folder).as_posix(): file.read_bytes()
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def test_every_file_of_the_contract_is_written(tmp_path: Path) -> None:
    """The folder is made with its parents and holds the files, and nothing else is left."""
    out = tmp_path / "deep" / "out"
    paths = write_results(make_site(tmp_path), out, written=CLOCK)
    assert {path.name for path in paths} == {*WRITERS, "run.json"} == set(contents(out))
    assert {"coordinates.csv", "observations.csv", "setups.csv", "ties.csv"} < set(WRITERS)
    assert [item.name for item in out.parent.iterdir()] == ["out"]


def test_the_same_inputs_give_the_same_bytes(tmp_path: Path) -> None:
    """Two runs differ in the clock of run.json and in nothing else."""
    for name, clock in (("a", CLOCK), ("b", "2025-01-01T00:00:00+00:00")):
        write_results(make_site(tmp_path), tmp_path / name, written=clock)
    first, second = contents(tmp_path / "a"), contents(tmp_path / "b")
    runs = [json.loads(files.pop("run.json")) for files in (first, second)]
    assert first == second
    assert runs[0].pop("written") != runs[1].pop("written")
    assert runs[0] == runs[1]
    assert all(b"\r" not in data for data in first.values())


@pytest.mark.parametrize("failing", range(1, 18))
def test_a_failure_at_any_move_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    """Whichever rename fails, old files stay as they were and no trace is left.

    Eight old files move out and eight new ones in: 16 moves; at the 17th, which does not
    exist, the run succeeds, which shows that the count is right.
    """
    out = tmp_path / "out"
    write_results(make_site(tmp_path), out, written=CLOCK)
    (out / "notes.txt").write_text("mine")
    before = contents(tmp_path)
    real: Callable[[Path, Path], Path] = Path.replace
    calls = iter(range(1, 100))

    def failing_replace(self: Path, target: Path) -> Path:
        if next(calls) == failing:
            raise OSError(28, "No space left on device")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", failing_replace)
    site = make_site(tmp_path, ties=True)
    if failing == 17:
        write_results(site, out, written=CLOCK)
        assert contents(tmp_path) != before
        return
    with pytest.raises(OutputError, match=r"no space left on device.*Nothing was changed"):
        write_results(site, out, written=CLOCK)
    assert contents(tmp_path) == before


def test_a_failing_writer_leaves_no_folder(tmp_path: Path) -> None:
    """A table that cannot be written leaves neither files nor an empty folder."""
    site = replace(make_site(tmp_path), ties={"point": ["CP4"]})
    with pytest.raises(ValueError, match="lacks the columns"):
        write_results(site, tmp_path / "new" / "out", written=CLOCK)
    assert list(tmp_path.iterdir()) == []


def test_files_of_an_earlier_run_do_not_linger(tmp_path: Path) -> None:
    """What an earlier run wrote and this one does not is taken away; other files stay."""
    out = tmp_path / "out"
    write_results(make_site(tmp_path), out, written=CLOCK)
    for name in ("old.dxf", "mine.txt"):
        (out / name).write_text("x")
    run = json.loads((out / "run.json").read_text())
    run["files"] += ["old.dxf", "../mine.txt"]
    (out / "run.json").write_text(json.dumps(run))
    (tmp_path / "mine.txt").write_text("x")
    write_results(make_site(tmp_path), out, written=CLOCK)
    assert not (out / "old.dxf").exists()
    assert (out / "mine.txt").exists()
    assert (tmp_path / "mine.txt").exists()


def test_a_folder_in_the_place_of_a_file_is_not_taken_away(tmp_path: Path) -> None:
    """A folder that bears the name of a result is the user's: refused, kept."""
    kept = tmp_path / "out" / "ties.csv" / "mine.txt"
    kept.parent.mkdir(parents=True)
    kept.write_text("x")
    with pytest.raises(OutputError, match=r"ties\.csv is a folder"):
        write_results(make_site(tmp_path), tmp_path / "out", written=CLOCK)
    assert list(contents(tmp_path)) == ["out/ties.csv/mine.txt"]


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    """--out that names a file is an error with what to do."""
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match=r"cannot be written.*--out DIR"):
        write_set(tmp_path / "out", [("a.csv", "a\n")])
    assert (tmp_path / "out").read_text() == "x"


@pytest.mark.parametrize("place", [".", "raw", "raw/out", "given", "other_job", "raw/../raw"])
def test_results_never_go_among_the_inputs(tmp_path: Path, place: str) -> None:
    """The job folder, the raw folder and what lies in it, another job: all refused."""
    for folder in ("raw", "given", "other_job"):
        (tmp_path / folder).mkdir()
    (tmp_path / "other_job" / "job.yaml").write_text("title: x\n")
    job = make_job(tmp_path, control_file=tmp_path / "given" / "control.csv")
    with pytest.raises(OutputError, match=r"Name another folder|folder of their own"):
        check_target(tmp_path / place, job)


def test_raw_files_in_the_job_folder_do_not_forbid_its_out(tmp_path: Path) -> None:
    """A job whose raw files lie beside job.yaml can still write into out."""
    check_target(tmp_path / "out", make_job(tmp_path, raw_files=(tmp_path / "s1.csv",)))


def test_the_time_of_writing_is_iso_8601_in_utc() -> None:
    """run.json tells when it was written without a time zone to guess."""
    assert len(timestamp()) == 25
    assert timestamp().endswith("+00:00")
