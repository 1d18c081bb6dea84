"""An engine of dask.distributed on this machine, as a person starts it, to be killed in parts."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.archive.archives import spawned, wait_until
from tests.endtoend.jobs import ROOT

CALM = {  # as `tieup explain archive` has it
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
    "DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL": "1s",
}


@dataclass(frozen=True)
class LocalEngine:
    """A scheduler and processes that keep one worker each, and start it anew when it dies."""

    address: str
    scheduler: subprocess.Popen[bytes]
    keepers: tuple[subprocess.Popen[bytes], ...]

    def workers(self) -> list[int]:
        """Return the processes that work."""
        return [pid for keeper in self.keepers for pid in spawned(keeper.pid)]

    def kill_worker(self) -> None:
        """Kill one process that works."""
        os.kill(self.workers()[0], signal.SIGKILL)

    def kill_scheduler(self) -> None:
        """Kill the scheduler."""
        self.scheduler.kill()
        self.scheduler.wait()


@contextmanager
def local_engine(folder: Path, workers: int = 2) -> Iterator[LocalEngine]:
    """Start an engine that listens on this machine alone."""
    folder.mkdir()
    facts = folder / "scheduler.json"
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", **CALM}

    def start(part: str, *options: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.dask_{part}", *options]
        with (folder / f"{part}.log").open("ab") as log:
            return subprocess.Popen(command, cwd=folder, env=environment, stdout=log, stderr=log)

    common = ("--scheduler-file", str(facts), "--no-dashboard")
    scheduler = start("scheduler", "--host", "127.0.0.1", "--port", "0", *common)
    keepers = []
    try:
        wait_until(lambda: facts.exists() and facts.read_text(encoding="utf-8").endswith("}"))
        for number in range(workers):
            place = ("--local-directory", str(folder / f"worker{number}"))
            keepers.append(start("worker", "--nthreads", "1", *common, *place))
        address = json.loads(facts.read_text(encoding="utf-8"))["address"]
        engine = LocalEngine(address, scheduler, tuple(keepers))
        wait_until(lambda: len(engine.workers()) == workers)
        yield engine
    finally:
        for process in (*keepers, scheduler):
            process.terminate()
        for process in (*keepers, scheduler):
            try:
                process.wait(timeout=15)
            except subprocess.TimeoutExpired:
                process.kill()
