"""Whatever stands in the files: a result that adds up, or words. Counts over spoiled jobs.

    python -m tests.bench.fuzz --seconds 600
    python -m tests.bench.fuzz --start 4000 --cases 500 --keep cases --jobs rich landxml
    python -m tests.bench.fuzz --verbs audit          the readers alone, many times as fast

from the root of the source tree, in one process. Each case takes one job of `fuzz_jobs`, spoils
it up to four times (`mutations`) and gives it to a command, under an alarm. What is wrong is
printed once for each kind, with the fewest mutations that still show it; ``--keep DIR`` keeps
that job. Wrong are: a fault of the tool, a traceback, more than 10 s, rows that do not add up,
a number that is none in a table or on the page, results beside exit status 2, a status other
than the verdict, a name twice among the coordinates.

"moved" is no fault by itself: the site ties, and a held or checked point is more than 20 mm from
where the unspoiled job has it. It is printed for a person to look at.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import re
import shutil
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.fuzz_jobs import JOBS, make_jobs, read_rows
from tests.bench.mutations import HUGE, MUTATIONS, Rng
from tieup import cli

SLOW = 10.0  # s of work; a run of these jobs takes half a second
STUCK = 300  # s by the clock: something waits for what never comes
MOST = 3  # mutations of one case
FAR = 0.020  # m
FATES = ("used", "unused", "excluded", "repeated", "invalid")
NO_NUMBER = re.compile(r"-?(nan|inf|infinity)", re.IGNORECASE)
FIGURES = re.compile(
    r"northing|easting|elevation|^sd|^d_|residual|redundancy|^w$|mdb|ellipse|^limit_"
    r"|^value|covariance|depth|area|volume|^step|fall$|thickness|^raise|^cut|^fill"
)
OTHER_FORM = (b"skip_rows", b"header", b"row_kind", b"encoding", b"delimiter", b"columns")
EXCHANGE = [part for name in ("pnezd", "landxml", "geojson", "dxf") for part in ("--also", name)]
COMMANDS = (
    ("reconcile", "--quiet"), ("reconcile",), ("reconcile", "--quiet"), ("reconcile", "--json"),
    ("reconcile", "--quiet", *EXCHANGE, "--draft"), ("ties",), ("audit",), ("audit", "--rows", "5"),
    ("plan",), ("surface",), ("surface", "--json"),
)  # fmt: skip
VERBS = ("reconcile", "ties", "audit", "plan", "surface")
SURFACES = ("surfaces", "plain_surface")  # jobs that state some


class Stuck(BaseException):
    """The alarm: no error, so that the command line does not turn it into words."""


@dataclass(frozen=True)
class Case:
    """One spoiled job: the job, the command, and the numbers of the mutations made of its seed."""

    seed: int
    job: str
    command: tuple[str, ...]
    mutations: tuple[int, ...]


@dataclass
class Run:
    """What came of a case: exit status, both streams, what was done, what is wrong with it."""

    status: int
    text: str
    errors: str
    done: list[str]
    wrong: dict[str, str] = field(default_factory=dict)


def case_of(seed: int, jobs: Sequence[str], verbs: Sequence[str] = VERBS) -> Case:
    """Draw a case of one of the jobs and one of the verbs."""
    rng = np.random.default_rng([seed, 0])
    job = str(jobs[int(rng.integers(len(jobs)))])
    commands = [command for command in COMMANDS if command[0] in verbs]
    command = commands[int(rng.integers(len(commands)))]
    if job == "planned":
        command = ("plan",)
    elif job in SURFACES and "surface" in verbs and rng.integers(2):
        command = ("surface",)
    elif job == "yard" and command == ("plan",):  # takes as long as twenty others
        command = ("ties",)
    return Case(seed, job, command, tuple(range(1, 1 + int(rng.integers(1, MOST + 1)))))


def spoil(job: Path, case: Case) -> list[str]:
    """Make the mutations of a case; say what was done."""
    done = []
    for number in case.mutations:
        rng: Rng = np.random.default_rng([case.seed, number])
        mutation = MUTATIONS[int(rng.integers(len(MUTATIONS)))]
        with contextlib.suppress(FileNotFoundError, IsADirectoryError):
            done.append(f"{mutation.__name__}: {mutation(job, rng)}")
    return done


def run_case(case: Case, jobs: Path, place: Path) -> Run:
    """Spoil a copy of the job, give it to the command, and look at what it says and writes."""
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(jobs / case.job, place)
    done = spoil(place, case)
    before = set(place.rglob("*"))
    verb, *options = case.command
    status, text, errors = call([verb, str(place), *options])
    run = Run(status, text, errors, done)
    _look_at_words(run)
    if status == 2 and set(place.rglob("*")) != before:
        run.wrong["results beside exit status 2"] = ""
    if verb == "reconcile" and status in (0, 1):
        _look_at_results(run, case, place, jobs / case.job)
    return run


def call(arguments: list[str], slow: float | None = None) -> tuple[int, str, str]:
    """Run a command under the alarm; its status is -1 where it did not come back by itself."""
    text, errors = (io.TextIOWrapper(io.BytesIO(), "utf-8", "backslashreplace") for _ in "oe")
    try:
        with (
            contextlib.redirect_stdout(text),
            contextlib.redirect_stderr(errors),
            _alarm(slow or SLOW),
        ):
            status = cli.outcome(arguments)
    except Stuck:
        status = -1
        errors.write("hang")
    except BaseException as error:  # what must never come out of the command line
        status = -1
        errors.write(f"Traceback: {type(error).__name__} {error}")
    streams = []
    for stream in (text, errors):
        stream.seek(0)
        streams.append(stream.read())
    return status, streams[0], streams[1]


@contextlib.contextmanager
def _alarm(slow: float) -> Iterator[None]:
    def ring(number: int, frame: object) -> None:
        raise Stuck

    for number in (signal.SIGALRM, signal.SIGPROF):
        signal.signal(number, ring)
    signal.setitimer(signal.ITIMER_PROF, slow)
    signal.alarm(STUCK)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.alarm(0)


def _look_at_words(run: Run) -> None:
    """Note a fault of the tool, a traceback, a hang, and an end without words."""
    fault = re.search(r"tieup failed at (\S+ \S+) (\w+)", run.errors)
    if fault:
        run.wrong[f"fault at {fault[1]} {fault[2]}"] = run.errors
    if "Traceback" in run.errors:
        run.wrong["traceback"] = run.errors
    if run.errors.endswith("hang"):
        run.wrong["hang"] = ""
    if run.status == 2 and not run.errors.strip():
        run.wrong["no words"] = ""


def _look_at_results(run: Run, case: Case, job: Path, whole: Path) -> None:
    """Note what does not hold together in the files of a run."""
    out = job / "out"
    record = json.loads((out / "run.json").read_text(encoding="utf-8"), parse_constant=_no_number)
    json.loads((out / "findings.json").read_text(encoding="utf-8"), parse_constant=_no_number)
    counts = record["counts"]
    if counts["rows"] != sum(counts[fate] for fate in FATES):
        run.wrong["rows do not add up"] = str(counts)
    ties = record["verdict"] == "ties"
    beside = (out / "falls.csv").exists() or any(out.glob("surface_*.csv"))
    if (run.status == 0) != ties and not (ties and beside):  # these may fail where the site ties
        run.wrong["status and verdict differ"] = f"{run.status} {record['verdict']}"
    if lost := _lost_rows(job, record):
        run.wrong["lines not accounted for"] = lost
    for path in sorted(out.glob("*.csv")):
        if found := _no_numbers(path):
            run.wrong[f"no number in {path.name}"] = found
    said = " ".join(run.done).lower()
    page = (out / "report.html").read_text(encoding="utf-8")
    if (found := re.search(r".{30}\b(nan|inf)\b.{20}", page)) and found[1] not in said:
        run.wrong[f"{found[1]} on the page"] = found[0]
    places = _places(out)
    if len(places) != len(read_rows(out / "coordinates.csv")):
        run.wrong["a name twice"] = ""
    if run.status == 0 and (far := _moved(places, whole)):
        run.wrong["moved"] = far


def _no_number(text: str) -> float:
    raise ValueError(f"{text} in a document")


def _no_numbers(path: Path) -> str:
    """Return the first cell of a column of figures that is no number."""
    for row in read_rows(path):
        for name, value in row.items():
            if FIGURES.search(name or "") and NO_NUMBER.fullmatch(str(value)):
                return f"{name} is {value}"
    return ""


def _lost_rows(job: Path, record: dict[str, Any]) -> str:
    """Return which plain table has lines that are neither header, comment, blank nor row."""
    if any(key in (job / "job.yaml").read_bytes() for key in OTHER_FORM):
        return ""
    for file in record["raw_files"]:
        content = (job / file["name"]).read_bytes()
        if not file["name"].endswith(".csv") or b'"' in content or b"\x00" in content:
            continue
        text = content.decode("utf-8-sig", "replace").replace("\r\n", "\n").replace("\r", "\n")
        bare = [line.strip(" ,\t\x0b") for line in text.split("\n")]
        count = sum(bool(line) and line[0] != "#" for line in bare)
        if count - 1 != file["rows"]:
            return f"{file['name']}: {count - 1} lines, {file['rows']} rows"
    return ""


def _places(out: Path) -> dict[str, tuple[str, float, float]]:
    """Return proof, northing and easting of every point."""
    found = {}
    for row in read_rows(out / "coordinates.csv"):
        plan = [float(row[name] or "nan") for name in ("northing", "easting")]
        found[row["point"]] = (row["proof"], plan[0], plan[1])
    return found


_RIGHT: dict[Path, dict[str, tuple[str, float, float]]] = {}


def right_places(job: Path) -> dict[str, tuple[str, float, float]]:
    """Return the places of a job that is not spoiled; none where there is nothing shot yet."""
    if job not in _RIGHT:
        with tempfile.TemporaryDirectory() as name:
            out = Path(name) / "out"
            arguments = ["reconcile", str(job), "--quiet", "--out", str(out), *EXCHANGE, "--draft"]
            call(arguments, slow=10.0 * SLOW)  # the first one loads what is loaded once
            _RIGHT[job] = _places(out) if out.is_dir() else {}
    return _RIGHT[job]


def _moved(places: dict[str, tuple[str, float, float]], whole: Path) -> str:
    """Return a held or checked point that lies elsewhere than without the mutations."""
    for name, (proof, north, east) in places.items():
        right = right_places(whole).get(name)
        if right is None or proof not in ("held", "checked"):
            continue
        apart = float(np.hypot(north - right[1], east - right[2]))
        if apart > FAR / 0.3048:
            return f"{name} by {apart:.3f}"
    return ""


def smallest(case: Case, kind: str, jobs: Path, place: Path) -> Case:
    """Leave out every mutation without which the same is still wrong."""
    for number in case.mutations:
        fewer = tuple(n for n in case.mutations if n != number)
        tried = Case(case.seed, case.job, case.command, fewer)
        if fewer and kind in run_case(tried, jobs, place).wrong:
            case = tried
    return case


def main(arguments: Sequence[str] | None = None) -> int:
    """Run cases until the time or their number is up; return how many kinds of faults came."""
    given = _parser().parse_args(arguments)
    warnings.simplefilter("ignore")
    statuses: Counter[tuple[str, int]] = Counter()
    kinds: Counter[str] = Counter()
    mutations, seed, end = 0, given.start, time.monotonic() + given.seconds
    with tempfile.TemporaryDirectory() as name:
        jobs, place = Path(name) / "jobs", Path(name) / "case"
        make_jobs(jobs)
        for job in JOBS:
            right_places(jobs / job)  # before the clock runs
        while time.monotonic() < end and seed - given.start < given.cases:
            case = case_of(seed, given.jobs, given.verbs)
            run = run_case(case, jobs, place)
            statuses[case.command[0], run.status] += 1
            mutations += len(case.mutations)
            for kind in run.wrong:
                kinds[kind] += 1
                if kinds[kind] == 1 or kind == "moved":
                    _tell(kind, smallest(case, kind, jobs, place), jobs, place, given.keep)
            seed += 1
    print(f"{seed - given.start} cases, {mutations} mutations, seeds {given.start} to {seed - 1}")
    for (command, status), count in sorted(statuses.items()):
        print(f"{command:10} exit {status:2}: {count:6}")
    for kind, count in kinds.most_common():
        print(f"{count:6} {kind}")
    return sum(kind != "moved" for kind in kinds)


def _tell(kind: str, case: Case, jobs: Path, place: Path, keep: Path | None) -> None:
    """Print the smallest case of a kind, and keep its job."""
    run = run_case(case, jobs, place)
    told = {"seed": case.seed, "job": case.job, "command": case.command, "done": run.done}
    print(f"{kind}: {json.dumps(told)}\n  {run.wrong.get(kind, '')[:300]}", flush=True)
    if keep is not None:
        name = re.sub(r"\W+", "_", f"{kind}_{case.seed}")[:80]
        shutil.copytree(place, keep / name, symlinks=True, ignore=_odd_files, dirs_exist_ok=True)


def _odd_files(folder: str, names: Sequence[str]) -> list[str]:
    """Return what cannot be copied: pipes, files that are mostly holes."""
    paths = [Path(folder) / name for name in names]
    return [p.name for p in paths if p.is_fifo() or (p.is_file() and p.stat().st_size >= HUGE)]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tests.bench.fuzz", description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=600.0, help="how long")
    parser.add_argument("--cases", type=int, default=1_000_000_000, help="how many at most")
    parser.add_argument("--start", type=int, default=0, help="the first seed")
    parser.add_argument("--jobs", nargs="+", choices=JOBS, default=[*JOBS], help="which jobs")
    parser.add_argument("--verbs", nargs="+", choices=VERBS, default=VERBS, help="which commands")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the smallest cases there")
    return parser


if __name__ == "__main__":
    sys.exit(main() > 0)
