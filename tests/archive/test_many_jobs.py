"""Several jobs: each as it would be alone, one line each, the worst first, the worst status."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from tests.archive.archives import (
    failing,
    results_of,
    run,
    tying,
    unproved,
    unreadable,
)
from tests.endtoend.jobs import files_below
from tieup.archive.job_folders import in_turns, job_folders
from tieup.library import reconciled_job


def first_words(text: str) -> list[str]:
    """Return name and result of every line of a job."""
    lines = text.split("\n\n")[0].splitlines()[1:]
    return [f"{Path(line.split()[0]).name} {line.split('  ')[-1].strip()}" for line in lines]


def test_each_job_gets_the_files_that_it_gets_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Byte for byte, but for the time of writing; and the inputs stay as they are."""
    makers = {"a": tying, "b": failing, "c": unproved}
    alone, together = tmp_path / "alone", tmp_path / "together"
    for folder in (alone, together):
        folder.mkdir()
        for name, make in makers.items():
            make(folder, name)
    before = files_below(together)
    statuses = [run(capsys, "reconcile", alone / name)[0] for name in makers]
    status, _, _ = run(capsys, "reconcile", *(together / name for name in makers))
    assert status == max(statuses)
    for name in makers:
        assert results_of(alone / name) == results_of(together / name)
        assert len(results_of(alone / name)) > 7
    after = files_below(together)
    assert {name: after[name] for name in before} == before


def test_one_line_for_each_job_the_worst_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Fails, error with its reason, unproved, ties; then all of them in one line; status 1."""
    jobs = [tying(tmp_path, "a"), unproved(tmp_path, "b"), unreadable(tmp_path, "c")]
    jobs.append(failing(tmp_path, "d"))
    status, out, err = run(capsys, "reconcile", *jobs)
    assert (status, err) == (1, "")
    lines = first_words(out)
    assert [lines[k] for k in (0, 2, 3)] == ["d fails", "b unproved", "a ties"]
    assert lines[1].startswith("c error: job.yaml:") and 'units.length is "fot"' in lines[1]
    total = "4 jobs: 1 fails, 1 could not be run, 1 is unproved, 1 ties\n"
    assert out.endswith(total)
    assert not (jobs[2] / "out").exists()


@pytest.mark.parametrize(
    ("makers", "worst"), [([tying, tying], 0), ([tying, unproved], 1), ([tying, unreadable], 1)]
)
def test_the_exit_status_is_that_of_the_worst_job(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], makers: list, worst: int
) -> None:
    """0 all tie, 1 one does not, is not proved or could not be run."""
    jobs = [make(tmp_path, f"job{number}") for number, make in enumerate(makers)]
    status, out, err = run(capsys, "reconcile", *jobs, "--quiet")
    assert (status, out) == (worst, "")
    assert bool(err) == (unreadable in makers)


@pytest.mark.parametrize("command", ["reconcile", "audit"])
def test_quiet_is_not_silent_about_a_job_that_could_not_be_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    """One line on standard error for each of its problems, and nothing of the others."""
    jobs = [tying(tmp_path, "a"), unreadable(tmp_path, "b")]
    status, out, err = run(capsys, command, *jobs, "--quiet")
    assert (status, out) == (1, "")
    (line,) = err.splitlines()
    assert line.startswith(f"{jobs[1]}: job.yaml:") and 'units.length is "fot"' in line


def test_jobs_of_which_none_can_be_run_are_an_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 2, every problem with its job on standard error, nothing written."""
    jobs = [unreadable(tmp_path, "a"), tmp_path / "none"]
    status, out, err = run(capsys, "reconcile", *jobs)
    assert (status, out) == (2, "")
    assert err.splitlines()[0].startswith(f"{jobs[0]}: job.yaml:")
    assert "there is no such folder" in err.splitlines()[-1]
    assert not (jobs[0] / "out").exists()


def test_a_fault_of_the_tool_in_one_job_stops_no_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What nobody foresaw is the error of its job, with the place in the tool."""
    from tieup.archive import one_job

    def broken(folder: Path, *rest: object) -> object:
        if folder.name == "a":
            raise ZeroDivisionError("by zero")
        return reconciled_job.reconciled_job(folder, *rest)

    monkeypatch.setattr(one_job, "reconciled_job", broken)
    status, out, _ = run(capsys, "reconcile", tying(tmp_path, "a"), tying(tmp_path, "b"))
    assert status == 1
    error, good = first_words(out)
    assert "ZeroDivisionError by zero. This is a fault of the tool" in error
    assert good == "b ties"


def test_as_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--json has the jobs as they were named, with their numbers and problems."""
    jobs = [tying(tmp_path, "a"), failing(tmp_path, "b"), unreadable(tmp_path, "c")]
    status, out, _ = run(capsys, "reconcile", *jobs, "--json")
    record = json.loads(out)
    assert (status, record["status"], record["skipped"]) == (1, 1, 0)
    first, second, third = record["jobs"]
    assert [first["job"], second["job"], third["job"]] == list(map(str, jobs))
    alone = json.loads(run(capsys, "reconcile", jobs[1], "--json")[1])
    assert second["verdict"] == alone["verdict"] == "fails"
    assert second["setups"] == len(alone["setups"])
    assert second["points"] == sum(alone["points"].values())
    assert second["stops"] == sum(f["severity"] == "stop" for f in alone["findings"]) > 0
    assert third["verdict"] == "error" and "fot" in third["problems"][0]


@pytest.mark.parametrize("watched", [True, False])
def test_a_progress_bar_shows_only_on_a_terminal(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    watched: bool,
) -> None:
    """On standard error, where somebody watches; none of it among the results."""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: watched)
    _, out, err = run(capsys, "reconcile", tying(tmp_path, "a"), tying(tmp_path, "b"))
    assert ("reconcile" in err) == watched
    assert out.startswith("Job")


def test_a_folder_that_holds_jobs_stands_for_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In the order of their names, each once; what lies deeper or is hidden is not meant."""
    archive = tmp_path / "2024"
    (archive / "may").mkdir(parents=True)
    deep = tying(archive / "may", "z")
    first, second = tying(archive, "a"), tying(archive, "b")
    tying(archive, ".trash")
    (archive / "empty").mkdir()
    assert job_folders([second, archive, deep]) == (second, first, deep)
    for none in (archive / "empty", archive / "no such", tmp_path / ("x" * 300), Path("a\0b")):
        assert job_folders([none]) == (none,)
    for command in ("reconcile", "audit"):
        status, out, _ = run(capsys, command, archive)
        assert status == 0
        assert [line.split()[0] for line in out.splitlines()[1:3]] == [str(first), str(second)]


def test_a_job_waits_for_the_one_whose_marks_it_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`control: {job: DIR}` reads what that job writes, so it comes later, whatever its name."""
    source, other = tying(tmp_path, "z"), tying(tmp_path, "a")
    path = other / "job.yaml"
    text = path.read_text(encoding="utf-8")
    assert "\ncontrol: control.csv" in text
    path.write_text(text.replace("control.csv", "{job: ../z}", 1), encoding="utf-8")
    (other / "control.csv").unlink()
    assert list(in_turns([other, source])) == [(1,), (0,)]
    assert first_words(run(capsys, "reconcile", other, source)[1]) == ["a ties", "z ties"]
    read = json.loads((other / "out" / "run.json").read_text(encoding="utf-8"))["inputs"]
    assert "../z/out/covariance.csv" in read
    (source / "job.yaml").write_text(text.replace("control.csv", "{job: ../a}", 1), "utf-8")
    assert list(in_turns([other, source])) == [(0, 1)]  # each waits for the other


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--out", "elsewhere"], "--out is for one job"),
        (["--workers", "2", "--scheduler", "tcp://x:1"], "not both"),
        (["--unit", "m"], "--unit is for the files of --also"),
    ],
)
def test_a_wrong_call_says_what_is_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], told: str
) -> None:
    """Status 2, and nothing is run."""
    jobs = [tying(tmp_path, "a"), tying(tmp_path, "b")]
    status, out, err = run(capsys, "reconcile", *jobs, *options)
    assert (status, out) == (2, "") and told in err
    assert not (jobs[0] / "out").exists()


def test_files_that_do_not_leave_are_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--also is the same for every job, and what does not tie keeps its files."""
    jobs = [tying(tmp_path, "a"), failing(tmp_path, "b")]
    _, out, _ = run(capsys, "reconcile", *jobs, "--also", "pnezd")
    assert "files of --also held back in 1: they do not tie" in out
    assert [(job / "out" / "points.txt").exists() for job in jobs] == [True, False]


def test_a_job_of_another_version_is_not_run() -> None:
    """A worker with another tieup would write other results, and says so."""
    from tieup.archive.one_job import Commission, reconciled

    job = reconciled(Commission("a", Path("a"), version="0.0.1"))
    assert job.verdict == "error" and "0.0.1 was asked for" in job.reason
