"""Jobs on an engine of dask.distributed: parts of it are killed, and nothing is lost."""

from __future__ import annotations

import os
import signal
import sys
from importlib import import_module
from pathlib import Path

import pytest

from tests.archive.archives import done, results_of, run, started, tying, unreadable, wait_until
from tieup.archive import dask_engine
from tieup.errors import EngineError
from tieup.explain.pages import topics

NAMES = "abcdefgh"


def killing(number: int) -> int:
    """Kill the process that works on item 3; else give the number."""
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def test_without_the_library_it_says_what_to_install(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before anything is run, of both commands."""
    monkeypatch.setattr(dask_engine, "find_spec", lambda name: None)
    job = tying(tmp_path, "a")
    for command in ("reconcile", "audit"):
        status, _, err = run(capsys, command, job, "--scheduler", "tcp://127.0.0.1:1")
        assert status == 2 and 'pip install "tieup[fleet]"' in err and "distributed" in err
    assert not (job / "out").exists()


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "foo://127.0.0.1:1", "tcp://:x"])
def test_an_address_where_nobody_answers_is_an_error(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    address: str,
) -> None:
    """Status 2, one line that names it."""
    pytest.importorskip("distributed")
    monkeypatch.setattr(dask_engine, "PATIENCE", 0.5)
    job = tying(tmp_path, "a")
    status, out, err = run(capsys, "reconcile", job, "--scheduler", address)
    assert (status, out) == (2, "")
    assert err.startswith(f"{address}: no engine answers there (") and len(err.splitlines()) == 1


def test_the_engine_of_these_tests_is_started_as_the_page_says() -> None:
    """What it watches of itself costs; the page says how to leave that out."""
    from tests.archive.local_engine import CALM

    told = "    export " + " ".join(f"{name}={value}" for name, value in CALM.items())
    assert told in topics()["archive"]


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="signals and processes of POSIX")
class TestEngine:
    """With a scheduler and two workers of its own."""

    @pytest.fixture
    def archive(self, tmp_path: Path) -> Path:
        """Return a folder of jobs; the library must be there."""
        pytest.importorskip("distributed")
        folder = tmp_path / "archive"
        folder.mkdir()
        for name in NAMES:
            tying(folder, name)
        return folder

    def test_killed_worker_and_lost_scheduler(
        self, archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A worker's job goes to another; a lost engine is said, what is done kept and skipped."""
        from tests.archive.local_engine import local_engine

        command = ("reconcile", "archive", "--results", "tables", "--scheduler")
        with local_engine(tmp_path / "first") as engine:
            process = started(tmp_path, *command, engine.address)
            wait_until(lambda: len(done(archive)) >= 1)
            engine.kill_worker()
            wait_until(lambda: len(done(archive)) >= 4)
            engine.kill_scheduler()
            out, err = process.communicate(timeout=120)
        assert (process.returncode, out) == (2, "")
        assert err.startswith(f"{engine.address}: the engine was lost, with ")
        assert err.endswith("What is done is kept: the same command goes on from there.\n")
        assert len(err.splitlines()) == 1
        there = len(done(archive))
        assert 4 <= there < len(NAMES)
        with local_engine(tmp_path / "second") as engine:
            process = started(tmp_path, *command, engine.address)
            out, err = process.communicate(timeout=240)
        assert (process.returncode, err) == (0, "")
        assert f"8 jobs: 8 tie; {there} skipped" in out
        calm = tmp_path / "calm"
        calm.mkdir()
        for name in NAMES:
            tying(calm, name)
        run(capsys, "reconcile", calm, "--workers", 2)
        assert all(results_of(archive / name) == results_of(calm / name) for name in NAMES)
        parquet = pytest.importorskip("pyarrow.parquet")
        ties = parquet.read_table(tmp_path / "tables" / "ties.parquet")
        assert ties.num_rows == len(NAMES) * 12
        assert parquet.read_table(tmp_path / "tables" / "jobs.parquet").num_rows == len(NAMES)

    def test_a_worker_killed_within_a_batch_loses_and_doubles_nothing(
        self, archive: Path, tmp_path: Path
    ) -> None:
        """What it had written is not run again; a bad job of the batch takes no other with it."""
        from tests.archive.local_engine import local_engine

        unreadable(archive, "aa")
        for name in "ijk":
            tying(archive, name)
        with local_engine(tmp_path / "engine", 1) as engine:
            process = started(tmp_path, "reconcile", "archive", "--scheduler", engine.address)
            wait_until(lambda: len(done(archive)) >= 1)  # of the first three, two of which tie
            there = {path: path.stat().st_ino for path in done(archive)}
            engine.kill_worker()
            out, err = process.communicate(timeout=240)
        assert (process.returncode, err) == (1, "")
        assert out.endswith("12 jobs: 1 could not be run, 11 tie\n")  # none was done before
        assert sum(line.startswith("archive/") for line in out.splitlines()) == 12
        assert len(done(archive)) == 11
        assert {path: path.stat().st_ino for path in there} == there

    def test_what_kills_its_workers_is_given_up(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """After as many as the engine allows; all others of its batch come back."""
        pytest.importorskip("distributed")
        from tests.archive.local_engine import local_engine

        monkeypatch.setenv("DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES", "1")
        with local_engine(tmp_path / "engine") as engine:
            found = list(dask_engine.on_engine(killing, range(30), engine.address))
        assert sorted(found, key=lambda pair: pair[0]) == [
            (number, None if number == 3 else number) for number in range(30)
        ]

    def test_an_engine_without_the_tool_is_said(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """An engine that cannot load what is sent to it: one line, with what to do."""
        pytest.importorskip("distributed")
        from tests.archive.local_engine import local_engine

        (tmp_path / "only_here.py").write_text("def work(item):\n    return item\n", "utf-8")
        monkeypatch.syspath_prepend(tmp_path)
        work = import_module("only_here").work
        told = r"the engine cannot do the work \(\w+Error: .*Install this version of tieup for its"
        with (
            local_engine(tmp_path / "engine", 1) as engine,
            pytest.raises(EngineError, match=told),
        ):
            list(dask_engine.on_engine(work, [0], engine.address))

    def test_an_engine_without_workers_is_said(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Instead of waiting without end."""
        pytest.importorskip("distributed")
        from tests.archive.local_engine import local_engine

        with local_engine(tmp_path / "engine", 0) as engine:
            monkeypatch.setattr(dask_engine, "PATIENCE", 2.0)
            with pytest.raises(EngineError, match=r"has no worker\. Start some: dask worker tcp"):
                list(dask_engine.on_engine(killing, [0], engine.address))
