"""How often is a day judged rightly? Counts over invented jobs whose truth is known.

    python -m tests.bench.verdict_rates clean --settings stated closing-reset small+gear-2
    python -m tests.bench.verdict_rates moved --jobs 300
    python -m tests.bench.verdict_rates single --kinds sight --size 15
    python -m tests.bench.verdict_rates single --kinds reading --size 10 --settings rounds-reset
    python -m tests.bench.verdict_rates single --real-mdb 8
    python -m tests.bench.verdict_rates checked --jobs 300 --log runs.jsonl
    python -m tests.bench.verdict_rates mdb

from the root of the source tree. The experiments:

    clean    no mistake: shares of jobs with a stop, with anything noticed, of each verdict, and
             of points whose true place lies in the printed ellipse and interval
    moved    one mistake of 2 to 30 mm: share of sites called good though it moves a joint or a
             farthest side shot beyond 6 mm in plan or 3 mm in height
    single   one mistake of a given size: noticed, named (a stop), rightly or with an honest rival,
             more stops than one, and stops elsewhere
    checked  one mistake of 2 to 200 mm: points called checked or held that are more than 5 of
             their printed sds off
    mdb      a reading off by exactly its printed mdb: noticed

One line and one line of JSON for each setting; running counts go to the error stream. With
``--log FILE`` every job is kept, and those in the file already are not run again: one file for
one state of the program.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path

from tests.bench.experiments import EXPERIMENTS, Order, Record, one_job
from tests.bench.spoils import KINDS
from tests.bench.tallies import line_of, tally
from tests.bench.worlds import SETTINGS, world_of

EVERY = 10  # jobs between two running counts
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run what the command line asks for."""
    given = _parser().parse_args(arguments)
    for setting in given.settings:
        order = _order(given, setting)
        started = time.perf_counter()
        records = _run(order, range(given.start, given.start + given.jobs), given)
        result = tally(order, records)
        print(line_of(order, result), flush=True)
        took = round(time.perf_counter() - started, 1)
        print(json.dumps({**asdict(order), **result, "seconds": took}), flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("experiment", choices=EXPERIMENTS)
    names = f"joined by a plus where several hold: {', '.join(SETTINGS)}"
    parser.add_argument(
        "--settings", nargs="+", default=["stated"], type=_setting, metavar="NAME", help=names
    )
    parser.add_argument("--jobs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=int, default=0, help="number of the first job")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=list(KINDS))
    parser.add_argument("--size", type=float, help="mm at the target")
    parser.add_argument("--range", type=float, nargs=2, metavar="MM", help="sizes from, to, mm")
    parser.add_argument("--even", action="store_true", help="sizes even, where they are log-even")
    parser.add_argument("--real-mdb", type=float, metavar="K", help="K times the real mdb")
    parser.add_argument("--printed-mdb", type=float, metavar="K", help="K times the printed mdb")
    parser.add_argument("--log", type=Path, help="file of one JSON line for each job")
    return parser


def _setting(name: str) -> str:
    """Return the name of a setting that there is."""
    try:
        world_of(name)
    except KeyError as error:
        raise argparse.ArgumentTypeError(error.args[0]) from error
    return name


def _order(given: argparse.Namespace, setting: str) -> Order:
    """Return what to run for one setting."""
    order = Order(given.experiment, setting, given.seed, tuple(given.kinds))
    if given.experiment == "checked":
        order = replace(order, low=0.002, high=0.200, log=True)
    if given.experiment == "mdb":
        order = replace(order, printed_mdb=1.0, kinds=("reading",))
    if given.range:
        order = replace(order, low=given.range[0] * 1e-3, high=given.range[1] * 1e-3)
    if given.even:
        order = replace(order, log=False)
    if given.size is not None:
        order = replace(order, size=given.size * 1e-3)
    if given.real_mdb is not None:
        order = replace(order, real_mdb=given.real_mdb)
    if given.printed_mdb is not None:
        order = replace(order, printed_mdb=given.printed_mdb, kinds=("reading",))
    return order


def _run(order: Order, jobs: range, given: argparse.Namespace) -> list[Record]:
    """Run the jobs that are not in the log, and return the records of all, in their order."""
    key = json.dumps(asdict(order), sort_keys=True)
    done = {job: record for job, record in _kept(given.log, key) if job in jobs}
    left = [job for job in jobs if job not in done]
    for record in _each(order, left, given.processes):
        done[record["job"]] = record
        if given.log:
            with given.log.open("a", encoding="utf-8") as file:
                file.write(json.dumps({"order": key, **record}) + "\n")
        if len(done) % EVERY == 0 and len(done) < len(jobs):
            so_far = line_of(order, tally(order, list(done.values())))
            print(f"  {so_far}", file=sys.stderr, flush=True)
    return [done[job] for job in sorted(done)]


def _each(order: Order, jobs: Sequence[int], processes: int) -> Iterator[Record]:
    """Run jobs in this process or in several, and yield their records as they come."""
    work = partial(one_job, order)
    if processes <= 1:
        yield from map(work, jobs)
        return
    for name in THREADS:
        os.environ.setdefault(name, "1")
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        yield from pool.imap_unordered(work, jobs)


def _kept(log: Path | None, key: str) -> Iterator[tuple[int, Record]]:
    """Yield number and record of the jobs that a log holds for an order."""
    if log is None or not log.exists():
        return
    for line in log.read_text(encoding="utf-8").splitlines():
        record = json.loads(line)
        if record.pop("order") == key:
            yield record["job"], record


if __name__ == "__main__":
    main()
