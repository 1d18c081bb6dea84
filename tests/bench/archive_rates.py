"""How fast an archive of jobs is done: one process, several of this machine, an engine.

    python -m tests.bench.archive_rates --jobs 2000
    python -m tests.bench.archive_rates --jobs 300 --layout small

from the root of the source tree; needs the extra tieup[fleet]. Invented days are written
as job folders, and the command is run over them as an office runs it: starting it is in every
time, starting the engine is not. Three runs that nobody disturbs give the rates; shares of linear
are those of the rate of one process times the number of workers, as far as there are cores. CPU
seconds of a job, of all processes together, say what spreading costs whatever else the machine
does meanwhile; of the engine they are also given for each of its parts. The share of linear by
CPU alone is that of one process over that of the engine with the command: what an idle machine
comes to whose cores are all busy until the end.

A last run on the engine has one worker killed at a quarter of the jobs and the scheduler at a
half; it is started again and goes on. Its results must be those of the first run, byte for byte
but for the time of writing.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from shutil import rmtree
from tempfile import TemporaryDirectory

from psutil import Process  # distributed brings it

from tests.archive.archives import done, results_of, started
from tests.archive.local_engine import LocalEngine, local_engine
from tests.bench.days import World, draw_day
from tests.bench.grounds import PLANS
from tests.bench.jobfolders import write_day

FINISHED = (0, 1)  # exit status of a run that came to its end


@dataclass
class Clock:
    """What one way took: seconds by the clock, and of all processors together."""

    wall: float = 0.0
    cpu: float = 0.0


def main() -> None:
    """Measure and print."""
    options = _options()
    with TemporaryDirectory() as name:
        archive = Path(name) / "archive"
        archive.mkdir()
        for job in range(options.jobs):
            folder = archive / f"job{job:05d}"
            folder.mkdir()
            write_day(draw_day(World(layout=options.layout), options.seed, job), folder)
        cores = len(os.sched_getaffinity(0))
        print(f"{options.jobs} jobs ({options.layout}), {options.workers} workers, {cores} cores,")
        print(f"load before: {os.getloadavg()[0]:.1f}", flush=True)
        measure(archive, options.workers, min(cores, options.workers))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=2000)
    parser.add_argument("--layout", choices=PLANS, default="small")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    return parser.parse_args()


def measure(archive: Path, workers: int, cores: int) -> None:
    """Run an archive in every way."""
    jobs = len(list(archive.iterdir()))
    with measured() as alone:
        finish(archive)
    first = print_of(archive)
    report("one process", jobs, alone)
    clear(archive)
    with measured() as local:
        finish(archive, "--workers", str(workers))
    report(f"{workers} processes", jobs, local, alone.wall / local.wall / cores)
    check("processes", archive, first)
    clear(archive)
    with local_engine(archive.parent / "engine", workers) as engine, measured() as spread:
        before = parts_of(engine)
        finish(archive, "--scheduler", engine.address)
        after = parts_of(engine)
    parts = {"command": spread.cpu, **{part: after[part] - before[part] for part in after}}
    spread.cpu = sum(parts.values())
    report(f"engine, {workers} workers", jobs, spread, alone.wall / spread.wall / cores)
    told = ", ".join(f"{part} {1000 * used / jobs:.1f}" for part, used in parts.items())
    print(f"  CPU ms a job: {told}; {alone.cpu / spread.cpu:.0%} of linear by CPU alone")
    check("engine", archive, first)
    clear(archive)
    with measured() as disturbed:
        there = killed_on_the_way(archive, jobs, workers)
    report("engine, worker and scheduler killed", jobs, disturbed)
    print(f"  {there} jobs were done when the scheduler was killed, and were skipped afterwards")
    check("killed", archive, first)
    with measured() as again:
        finish(archive)
    report("everything skipped", jobs, again)


@contextmanager
def measured() -> Iterator[Clock]:
    """Give a clock that stands when the block ends; processes count that have ended by then."""
    clock, began, before = Clock(), time.perf_counter(), _cpu()
    yield clock
    clock.wall, clock.cpu = time.perf_counter() - began, _cpu() - before


def _cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def parts_of(engine: LocalEngine) -> dict[str, float]:
    """Return the CPU seconds that each part of an engine has used."""
    keepers = [keeper.pid for keeper in engine.keepers]
    parts = {"scheduler": [engine.scheduler.pid], "keepers": keepers, "workers": engine.workers()}
    times = {part: [Process(pid).cpu_times() for pid in pids] for part, pids in parts.items()}
    return {part: sum(one.user + one.system for one in used) for part, used in times.items()}


def finish(archive: Path, *options: str) -> str:
    """Run the command to its end; return what it printed."""
    process = started(archive.parent, "reconcile", archive.name, *options)
    out, errors = process.communicate()
    assert process.returncode in FINISHED, errors
    return out


def killed_on_the_way(archive: Path, jobs: int, workers: int) -> int:
    """Kill a worker at a quarter and the scheduler at a half, go on; return what was done then."""
    with local_engine(archive.parent / "first", workers) as engine:
        process = started(archive.parent, "reconcile", archive.name, "--scheduler", engine.address)
        wait_for(archive, jobs // 4, process, engine)
        engine.kill_worker()
        wait_for(archive, jobs // 2, process, engine)
        engine.kill_scheduler()
        _, errors = process.communicate()
        assert process.returncode == 2 and "the engine was lost" in errors, errors
    there = len(done(archive))
    with local_engine(archive.parent / "second", workers) as engine:
        out = finish(archive, "--scheduler", engine.address)
    assert f"; {there:,} skipped" in out, out.splitlines()[-1]
    return there


def wait_for(
    archive: Path, number: int, process: subprocess.Popen[str], engine: LocalEngine
) -> None:
    """Wait until so many jobs are done."""
    while len(done(archive)) < number:
        assert process.poll() is None and engine.scheduler.poll() is None, "it ended too early"
        time.sleep(0.2)


def print_of(archive: Path) -> dict[str, str]:
    """Return what tells the results of each job from others, the time of writing apart."""
    found = {}
    for job in sorted(archive.iterdir()):
        files = results_of(job) if (job / "out").exists() else {}
        found[job.name] = sha256(repr(sorted(files.items())).encode()).hexdigest()
    return found


def check(name: str, archive: Path, first: dict[str, str]) -> None:
    """Compare results with those of the first run."""
    differ = [job for job, digest in print_of(archive).items() if digest != first[job]]
    print(f"  {len(first) - len(differ)} of {len(first)} jobs as by one process", flush=True)
    assert not differ, (name, differ[:5])


def clear(archive: Path) -> None:
    """Take the results away."""
    for job in archive.iterdir():
        with suppress(FileNotFoundError):
            rmtree(job / "out")


def report(name: str, jobs: int, clock: Clock, share: float | None = None) -> None:
    """Print one way."""
    linear = "" if share is None else f", {share:.0%} of linear"
    print(
        f"{name:<36} {clock.wall:8.1f} s  {jobs / clock.wall:6.2f} jobs/s  "
        f"{clock.cpu / jobs:5.2f} CPU s a job{linear}",
        flush=True,
    )


if __name__ == "__main__":
    main()
