"""How a command ends when it is stopped, cannot print, or is pointed at an odd place."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.write.sample import make_job, make_site
from tieup import cli
from tieup.model.job import Job
from tieup.model.reconciliation import Reconciliation

ROOT = Path(__file__).parent.parent
TIEUP = [sys.executable, "-c", "from tieup.cli import main; main()"]
SLOW = """
import sys, time
from tieup import cli, pipeline

def run(job, progress=None):
    print("solving", flush=True)
    time.sleep(60)

pipeline.run = run
cli.main()
"""
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and devices of POSIX")


@pytest.fixture
def dock(tmp_path: Path) -> Path:
    """Copy the sample job of two setups, which ties."""
    ignored = shutil.ignore_patterns("out")
    return shutil.copytree(ROOT / "sample_raw" / "two_setups", tmp_path / "dock", ignore=ignored)


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put an invented site that ties in the place of the solver."""

    def run(job: Job, progress: Callable[[str], None] | None = None) -> Reconciliation:
        return make_site(job.folder, ties=True)

    config, pipeline = ModuleType("tieup.config"), ModuleType("tieup.pipeline")
    config.load_job = lambda folder: make_job(folder)  # type: ignore[attr-defined]
    pipeline.run = run  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "tieup.config", config)
    monkeypatch.setitem(sys.modules, "tieup.pipeline", pipeline)


def shell(line: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run a line of shell in which $T is tieup."""
    command = f"T() {{ {sys.executable} -c 'from tieup.cli import main; main()' \"$@\"; }}; {line}"
    return subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, cwd=ROOT, timeout=60, **options
    )


def files(folder: Path) -> set[str]:
    """Return the names of everything in a folder."""
    return {path.name for path in folder.iterdir()}


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_with_one_line_and_no_trace(dock: Path, number: signal.Signals) -> None:
    """SIGTERM as Ctrl-C: exit 2, told, nothing written, nothing left behind."""
    before = files(dock)
    command = [sys.executable, "-c", SLOW, "reconcile", str(dock)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "solving\n"
        process.send_signal(number)
        _, errors = process.communicate(timeout=30)
    assert (process.returncode, errors.strip()) == (2, "Stopped. No results were written.")
    assert files(dock) == before


def test_a_full_disk_behind_the_screen_does_not_deny_the_results(dock: Path) -> None:
    """/dev/full: the results are written, that is said, and the exit status is theirs."""
    done = shell(f"T reconcile {dock} > /dev/full")
    assert done.returncode == 0, done.stderr
    said = f"(No space left on device). The results were written to {dock / 'out'}."
    assert done.stderr == f"The screen could not be printed {said}\n"
    assert (dock / "out" / "run.json").is_file()
    done = shell(f"T ties {dock} > /dev/full")
    assert done.returncode == 2
    assert done.stderr == "The screen could not be printed (No space left on device).\n"


@pytest.mark.parametrize("call", ["-h", "--version", "reconcile -h"])
def test_help_that_cannot_be_printed_is_no_fault_of_the_tool(call: str) -> None:
    """Exit 2 and why on a full disk; 0 where the reader went away or there is no screen."""
    full = shell(f"T {call} > /dev/full")
    said = "The screen could not be printed (No space left on device).\n"
    assert (full.returncode, full.stderr) == (2, said)
    for line in (f"T {call} | true; exit ${{PIPESTATUS[0]}}", f"T {call} >&-"):
        done = shell(line)
        assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.slow
@pytest.mark.parametrize("closed", ["2>&-", ">&-", "<&-", ">&- 2>&-", "2> /dev/full"])
def test_closed_streams_are_no_error(dock: Path, closed: str) -> None:
    """Without standard error, or any stream, the run is the same and the results are written."""
    done = shell(f"T reconcile {dock} {closed}")
    assert (done.returncode, done.stderr) == (0, "")
    assert (dock / "out" / "run.json").is_file()
    missing = shell(f"T reconcile {dock}/nowhere {closed}")
    assert missing.returncode == 2


@pytest.mark.usefixtures("solved")
@pytest.mark.parametrize("error", [KeyboardInterrupt(), ZeroDivisionError("x"), OSError(28, "x")])
def test_what_happens_after_the_writing_does_not_deny_it(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
) -> None:
    """Ctrl-C or a fault while the screen is printed: the results are there, and are said to be."""

    def broken(text: str) -> None:
        raise error

    monkeypatch.setattr(sys.modules["tieup.cli.common"], "say", broken)
    assert cli.outcome(["reconcile", str(tmp_path)]) == 0
    told = capsys.readouterr().err
    assert f"The results were written to {tmp_path / 'out'}." in told
    assert "No results" not in told
    assert (tmp_path / "out" / "run.json").is_file()


@pytest.mark.usefixtures("solved")
def test_old_results_are_not_taken_for_new_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A run that is stopped before its own writing says so, though results of before are there."""
    assert cli.outcome(["reconcile", str(tmp_path), "--quiet"]) == 0

    def stopped(*arguments: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tieup.write.folder.stale_files", stopped)
    assert cli.outcome(["reconcile", str(tmp_path)]) == 2
    assert "Stopped. No results were written." in capsys.readouterr().err
    assert files(tmp_path) == {"out"}


@pytest.mark.usefixtures("solved")
@pytest.mark.parametrize("command", ["reconcile", "ties"])
@pytest.mark.parametrize("out", ["", "/", "link"])
def test_an_odd_place_for_results_is_refused(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    command: str,
    out: str,
) -> None:
    """An unset shell variable, the top of the disk, a link that leads elsewhere: exit 2, told."""
    (tmp_path / "work").mkdir()
    (tmp_path / "link").symlink_to("work")
    monkeypatch.chdir(tmp_path)
    assert cli.outcome([command, "job", "--out", out]) == 2
    told = capsys.readouterr().err
    assert any(word in told for word in ("is empty", "top of a disk", "is a link"))
    assert files(tmp_path) == {"work", "link"}
    assert files(tmp_path / "work") == set()


def test_a_pipe_or_a_device_as_job_yaml_does_not_hang(dock: Path) -> None:
    """job.yaml that would never end is told at once."""
    (dock / "job.yaml").unlink()
    os.mkfifo(dock / "job.yaml")
    began = time.monotonic()
    done = shell(f"T reconcile {dock}")
    assert (done.returncode, "a device or the like" in done.stderr) == (2, True)
    (dock / "job.yaml").unlink()
    (dock / "job.yaml").symlink_to("/dev/zero")
    done = shell(f"T reconcile {dock}")
    assert (done.returncode, "a device or the like" in done.stderr) == (2, True)
    assert time.monotonic() - began < 30.0
