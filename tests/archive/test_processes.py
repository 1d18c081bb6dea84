"""Jobs in several processes: one that is killed loses nothing, and only its own job notices."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import pytest

from tests.archive.archives import done, results_of, run, spawned, started, tying, wait_until
from tieup.archive import processes
from tieup.archive.distribute import Means, distributed
from tieup.archive.many_jobs import reconcile_each
from tieup.write.exchange.formats import Exchange

pytestmark = [
    pytest.mark.slow,  # processes are started and killed
    pytest.mark.skipif(sys.platform == "win32", reason="signals and processes of POSIX"),
]


def squared(number: int) -> tuple[int, int]:
    """Return the square and the process that worked."""
    return number * number, os.getpid()


def killing(item: tuple[Path, int, int]) -> int:
    """Kill the process that works on item 3 as often as asked; else give the number."""
    folder, number, times = item
    marks = len(list(folder.glob("killed-*")))
    if number == 3 and marks < times:
        (folder / f"killed-{marks}").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def raising(number: int) -> int:
    """Fail as no function of this package may."""
    raise ValueError(f"no {number}")


def test_every_item_comes_back_from_as_many_processes() -> None:
    """Each once, with its number, from processes that are not this one."""
    found = dict(distributed(squared, range(12), Means(workers=2)))
    assert {number: value[0] for number, value in found.items()} == {n: n * n for n in range(12)}
    workers = {value[1] for value in found.values()}
    assert len(workers) == 2 and os.getpid() not in workers
    assert dict(distributed(squared, range(3), Means()))[2] == (4, os.getpid())


def test_a_job_has_one_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the process is allowed: the linear algebra of N jobs shall not take 2 N cores."""
    from threadpoolctl import threadpool_info, threadpool_limits

    from tieup.archive import one_job

    def threads(asked: one_job.Commission) -> int:
        return max(library["num_threads"] for library in threadpool_info())

    asked = one_job.Commission("a", tmp_path)
    monkeypatch.setattr(one_job, "_reconciled", threads)
    with threadpool_limits(2):
        assert threads(asked) == 2
        assert one_job.reconciled(asked) == 1


@pytest.mark.parametrize(("times", "expected"), [(1, 3), (2, None)])
def test_a_killed_process_has_its_item_done_again_once(
    tmp_path: Path, times: int, expected: int | None
) -> None:
    """Killed once: nothing is lost. Killed twice: that item is given up, and no other."""
    items = [(tmp_path, number, times) for number in range(8)]
    found = dict(processes.in_processes(killing, items, 2))
    assert found == {number: number if number != 3 else expected for number in range(8)}
    assert len(list(tmp_path.glob("killed-*"))) == times


def test_processes_end_with_the_run() -> None:
    """Whether it came to its end, was left, or failed."""
    before = set(spawned(os.getpid()))
    dict(processes.in_processes(squared, range(4), 2))
    left = processes.in_processes(squared, range(4), 2)
    next(left)
    left.close()
    with pytest.raises(ValueError, match="no 0"):
        list(processes.in_processes(raising, [0], 1))
    wait_until(lambda: not set(spawned(os.getpid())) - before)


def test_a_job_that_kills_its_process_twice_is_an_error_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is named, with what to do; the others are done."""
    from tieup.archive import many_jobs

    monkeypatch.setattr(many_jobs, "distributed", lambda function, items, means: [(0, None)])
    ((_, job),) = reconcile_each([tmp_path / "a"], Exchange(), Means(), with_rows=True)
    assert job.verdict == "error" and job.status == 2
    assert "each process that worked on it was killed" in job.reason
    assert job.reason.endswith(f"Run it alone: tieup reconcile {tmp_path / 'a'}")
    assert job.rows is not None and job.rows.job["problems"] == job.reason


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Return a folder of six jobs."""
    folder = tmp_path / "archive"
    folder.mkdir()
    for name in "abcdef":
        tying(folder, name)
    return folder


def test_a_worker_killed_in_the_middle_loses_nothing(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same lines and the same bytes as of a run in one process that nobody disturbed."""
    process = started(tmp_path, "reconcile", "archive", "--workers", 2)
    wait_until(lambda: len(done(archive)) >= 1 or process.poll() is not None)
    victims = spawned(process.pid)
    assert victims, "the run ended before a worker could be killed"
    os.kill(victims[0], signal.SIGKILL)
    out, err = process.communicate(timeout=120)
    assert (process.returncode, err) == (0, "")
    calm = tmp_path / "calm"
    calm.mkdir()
    for name in "abcdef":
        tying(calm, name)
    expected = run(capsys, "reconcile", calm)[1]
    assert out.split() == expected.replace(f"{calm}", "archive").split()
    for name in "abcdef":
        assert results_of(archive / name) == results_of(calm / name)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_run_says_how_far_it_came_and_goes_on(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], number: signal.Signals
) -> None:
    """Status 2, words, no worker left, no half results; the same command does the rest."""
    process = started(tmp_path, "reconcile", "archive", "--workers", 2)
    wait_until(lambda: len(done(archive)) >= 2)
    workers = spawned(process.pid)
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (2, "")
    assert err.startswith("Stopped, with ")
    assert " of 6 jobs reported as done. What is done is kept" in err
    assert len(err.splitlines()) == 1
    wait_until(lambda: not any(Path(f"/proc/{worker}").exists() for worker in workers))
    there = len(done(archive))
    assert 2 <= there <= 6
    status, out, _ = run(capsys, "reconcile", archive)
    assert status == 0 and f"; {there} skipped" in out
    assert not list(archive.glob("*/.tieup-*"))


def test_workers_end_with_a_run_that_is_killed(archive: Path, tmp_path: Path) -> None:
    """Nobody else would end them."""
    process = started(tmp_path, "reconcile", "archive", "--workers", 2)
    wait_until(lambda: len(done(archive)) >= 1)
    workers = spawned(process.pid)
    assert workers
    process.kill()
    process.communicate(timeout=60)
    wait_until(lambda: not any(Path(f"/proc/{worker}").exists() for worker in workers))


def test_an_audit_in_processes_gives_the_same(
    archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Table, data and status, whoever works."""
    for options in ((), ("--json",)):
        alone = run(capsys, "audit", archive, *options)
        assert alone[0] == 0
        assert run(capsys, "audit", archive, "--workers", 2, *options) == alone
