"""Small archives of jobs with known verdicts, and runs over them as an office starts them."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.endtoend.jobs import ROOT, copy_sample, files_below, put
from tieup import cli

TIEUP = [sys.executable, "-c", "from tieup.cli import main; main()"]
LONGEST = 120.0  # s, that a step of a test may take on a busy machine


def tying(folder: Path, name: str) -> Path:
    """Make a job of two setups that ties; a comment makes its job.yaml its own."""
    job = copy_sample("two_setups", folder / ".new").rename(folder / name)
    (folder / ".new").rmdir()
    with (job / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write(f"# {name}\n")
    return job


def failing(folder: Path, name: str) -> Path:
    """Make one with a pole height that is a foot wrong at a mark, in both faces."""
    job = tying(folder, name)
    put(job, "raw/s1.csv", "target_height", "6.000", [1, 2])
    return job


def unproved(folder: Path, name: str) -> Path:
    """Make one of one setup that has two marks: nothing proves it."""
    job = tying(folder, name)
    (job / "raw" / "s2.csv").unlink()
    control = job / "control.csv"
    lines = control.read_text(encoding="utf-8").splitlines(keepends=True)
    control.write_text("".join(lines[:3]), encoding="utf-8")
    return job


def unreadable(folder: Path, name: str) -> Path:
    """Make one with a wrong unit in job.yaml."""
    job = tying(folder, name)
    path = job / "job.yaml"
    text = path.read_text(encoding="utf-8")
    assert "length: ft" in text
    path.write_text(text.replace("length: ft", "length: fot"), encoding="utf-8")
    return job


def run(
    capsys: pytest.CaptureFixture[str], command: str, *arguments: object
) -> tuple[int, str, str]:
    """Run a command; return its status and what it printed."""
    capsys.readouterr()
    status = cli.outcome([command, *map(str, arguments)])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def started(folder: Path, *arguments: object) -> subprocess.Popen[str]:
    """Start the tool in a folder."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen(
        [*TIEUP, *map(str, arguments)],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_until(true: Callable[[], bool]) -> None:
    """Wait until something is true."""
    end = time.monotonic() + LONGEST
    while not true():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.02)


def spawned(parent: int) -> list[int]:
    """Return the workers among the children of a process, as Linux lists them."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            stat = (process / "stat").read_text(encoding="utf-8")
            words = (process / "cmdline").read_bytes()
        except OSError:  # it has ended
            continue
        if int(stat.rpartition(")")[2].split()[1]) == parent and b"spawn_main" in words:
            found.append(int(process.name))
    return found


def results_of(job: Path) -> dict[str, bytes]:
    """Return the files of a job's results; of run.json all but the time of writing."""
    found = files_below(job / "out")
    lines = found["run.json"].splitlines()
    found["run.json"] = b"\n".join(line for line in lines if b'"written":' not in line)
    return found


def done(folder: Path) -> list[Path]:
    """Return the records of the jobs of a folder that are done."""
    return sorted(folder.glob("*/out/run.json"))
