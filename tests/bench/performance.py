"""Measure how fast the adjustment is, and compare it with general-purpose tools.

    python -m tests.bench.performance
    python -m tests.bench.performance --sizes day city metro --repeats 7

from the root of the source tree. Prints one table of times for the invented sites of
`tests.bench.sites`, and one of ratios beside their targets. "solve" ends with the
coordinates of all shared marks and the factor at them; "statistics" are all covariances,
redundancy numbers and the side shots; "whole" is both, through the package's own front
door. Only ratios mean anything: they compare things measured in turn in the same run, one
thread of linear algebra each, medians over the repeats. Times inside this process are
processor time, which a busy machine disturbs least; those of commands are elapsed time.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import numpy as np

from tests.bench.bare_tools import give_start
from tests.bench.rivals import read_with_csv, solve_with_splu
from tests.bench.sites import (
    MISTAKES,
    PRECISION,
    REFRACTION,
    SIZES,
    make_site,
    write_job,
    write_spoiled,
)
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame, make_problem
from tieup.adjust.solution import Adjustment
from tieup.adjust.solve_in_frame import Solution, solve_problem
from tieup.adjust.statistics import describe
from tieup.model.arrays import FloatArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.network import Network
from tieup.model.settings import Datum
from tieup.network.build import build_network
from tieup.threads import one_thread

ROOT = Path(__file__).parent.parent.parent
PYTHON = [sys.executable, "-c"]
TIEUP = [*PYTHON, "import sys; sys.argv[0] = 'tieup'; from tieup.cli import main; main()"]
SHARED, EVERYTHING, CSV = "splu, shared marks only", "splu, everything", "reading with csv"
SAME = 1e-6  # m; the rivals' coordinates agree this well
SLOW_REPEATS = 2  # of what takes many seconds


@dataclass(frozen=True)
class Timed:
    """Median times (s) of one site, and of the rivals on it."""

    name: str
    network: Network
    steps: int
    solve: float
    statistics: float
    whole: float
    rivals: dict[str, float]


def main() -> None:
    """Measure and print."""
    options = _options()
    with TemporaryDirectory() as folder:
        jobs = Path(folder)
        timed = [measure(name, options.repeats, jobs) for name in options.sizes]
        print_times(timed)
        print_ratios([*inside(timed), *commands(timed, jobs, options.repeats)])


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Measure the adjustment on invented sites.")
    parser.add_argument("--sizes", nargs="+", choices=SIZES, default=["day", "campaign", "city"])
    parser.add_argument("--repeats", type=int, default=5)
    return parser.parse_args()


def measure(name: str, repeats: int, jobs: Path) -> Timed:
    """Measure one site, everything in turn, after one untimed run; city has the rivals."""
    network = make_site(SIZES[name])
    tasks: dict[str, Callable[[], object]] = {"whole": lambda: whole(network)}
    if name == "city":
        raw = write_job(network, jobs / name)
        tasks[SHARED] = lambda: solve_with_splu(network, side_shots=False)
        tasks[CSV] = lambda: read_with_csv(raw)
    times: dict[str, list[float]] = {task: [] for task in tasks}
    parts: list[tuple[float, float]] = []
    with one_thread():
        steps, position = _first(network)
        for _ in range(repeats):
            for task, run in tasks.items():
                times[task].append(seconds(run))
            parts.append(_parts(network))
        if name == "city":
            times[EVERYTHING] = [_everything(network, position) for _ in range(SLOW_REPEATS)]
    rivals = {task: median(values) for task, values in times.items()}
    solve, statistics = (median(part) for part in zip(*parts, strict=True))
    return Timed(name, network, steps, solve, statistics, rivals.pop("whole"), rivals)


def _first(network: Network) -> tuple[int, FloatArray]:
    """Adjust once; return the steps it took and the positions, so that the rest is forgotten."""
    result = whole(network)
    return result.iterations, result.position


def whole(network: Network) -> Adjustment:
    """Adjust a site, through the package's own front door."""
    return adjust(network, PRECISION, REFRACTION, held_frame(network))


def _parts(network: Network) -> tuple[float, float]:
    """Return the time to solve, and to find all statistics of the solution."""
    none = np.zeros(len(network.setup_labels), bool), np.zeros(len(network.point_names), bool)
    solutions: list[Solution] = []

    def solve() -> None:
        problem = make_problem(network, held_frame(network), *none)
        solutions.append(solve_problem(problem, PRECISION, REFRACTION))

    return seconds(solve), seconds(lambda: describe(solutions[0], PRECISION, *none))


def _everything(network: Network, position: FloatArray) -> float:
    """Return the time of `splu` with the side shots, once it gave the same ``position``."""
    found: list[FloatArray] = []
    spent = seconds(lambda: found.append(solve_with_splu(network, side_shots=True)[0]))
    assert np.abs(found[0] - position).max() < SAME
    return spent


def seconds(run: Callable[[], object]) -> float:
    """Return the processor time that ``run`` takes."""
    started = time.process_time()
    kept = run()
    spent = time.process_time() - started
    del kept
    return spent


def inside(timed: list[Timed]) -> list[tuple[str, float | str, float]]:
    """Return name, ratio (or why it is missing) and target of what one process shows."""
    by_name = {one.name: one for one in timed}
    city, metro = by_name.get("city"), by_name.get("metro")
    absent = "not measured: --sizes without city"
    rows: list[tuple[str, float | str, float]] = [
        (f"city: whole / {rival}", city.whole / city.rivals[rival] if city else absent, target)
        for rival, target in ((SHARED, 1.0), (EVERYTHING, 0.10), (CSV, 1.6))
    ]
    rows.append(("city: statistics / solve", city.statistics / city.solve if city else absent, 0.7))
    both = metro.whole / city.whole if city and metro else "not measured: --sizes without metro"
    rows.append(("metro / city", both, 15.0))
    return rows


def commands(timed: list[Timed], jobs: Path, repeats: int) -> list[tuple[str, float | str, float]]:
    """Return name, ratio (or why it is missing) and target of the commands."""
    by_name = {one.name: one for one in timed}
    imports = [*PYTHON, "import numpy, scipy.sparse, pandas"]
    day = jobs / "day"
    if not day.exists():
        write_job(make_site(SIZES["day"]), day)
    rows = [
        ("tieup -h / import numpy", [*TIEUP, "-h"], [*PYTHON, "import numpy"], 1.5),
        ("day: whole command / its imports", [*TIEUP, "reconcile", str(day)], imports, 3.0),
    ]
    ratios = [(label, _ratio(left, right, repeats), target) for label, left, right, target in rows]
    label = "city: whole command / whole adjustment"
    if "city" not in by_name:
        return [*ratios, (label, "not measured: --sizes without city", 12.0)]
    city = _elapsed([*TIEUP, "reconcile", str(jobs / "city")])
    ratio = city if isinstance(city, str) else city / by_name["city"].whole
    bare = _against_bare_tools(by_name["city"].network, jobs / "city")
    start = _start_values(by_name["city"].network) / by_name["city"].whole
    return [
        *ratios,
        (label, ratio, 12.0),
        ("city: whole command / bare tools, processor time", bare, 1.0),
        ("city: start values / whole adjustment", start, 2.0),
        _spoiled(jobs, city),
    ]


def _against_bare_tools(network: Network, job: Path) -> float | str:
    """Return the processor time of the whole command over that of `tests.bench.bare_tools`."""
    give_start(network, job)
    before = children_time()
    run = _elapsed([*TIEUP, "reconcile", str(job)])
    spent = children_time() - before
    if isinstance(run, str):
        return run
    bare = [sys.executable, "-m", "tests.bench.bare_tools", str(job), str(job / "out")]
    done = subprocess.run(bare, cwd=ROOT, capture_output=True, text=True, check=True)
    return spent / float(done.stdout)


def children_time() -> float:
    """Return the processor time (s) of all commands that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _start_values(network: Network) -> float:
    """Return the time to find start values of a site whose rows are read."""
    known = np.flatnonzero(np.isfinite(network.control[:, 0]))
    names = tuple(network.point_names[point] for point in known)
    held = Control("", names, network.control[known], network.control_sd[known], known, ())
    setups = tuple(Setup(label, label, "", "", 0.0, "") for label in network.setup_labels)
    points, sights = network.point_names, network.sights
    with one_thread():
        return seconds(
            lambda: build_network(setups, points, sights, held, None, Datum(), REFRACTION)
        )


def _spoiled(jobs: Path, clean: float | str) -> tuple[str, float | str, float]:
    """Return what the command takes on the city with mistakes in it, over the clean one.

    Each mistake is found in a round of its own: a new solution and a look at its surroundings.
    """
    label = "city: with 5 mistakes / without, whole command"
    spoiled = write_spoiled(jobs / "city", jobs / "city_spoiled")
    command = [*TIEUP, "reconcile", str(spoiled), "--json"]
    taken = _elapsed(command)
    if isinstance(taken, str) or isinstance(clean, str):
        return label, taken if isinstance(taken, str) else clean, 4.0
    findings = json.loads((spoiled / "out" / "findings.json").read_text(encoding="utf-8"))
    found = {finding["kind"] for finding in findings if finding["severity"] == "stop"}
    assert set(MISTAKES) <= found, f"not found: {set(MISTAKES) - found}"
    return label, taken / clean, 4.0


def _ratio(left: list[str], right: list[str], repeats: int) -> float | str:
    """Return how many times longer ``left`` takes than ``right``, run in turn."""
    both = [(_elapsed(left), _elapsed(right)) for _ in range(repeats + 1)][1:]
    for pair in both:
        for outcome in pair:
            if isinstance(outcome, str):
                return outcome
    first, second = zip(*both, strict=True)
    return float(median(first) / median(second))


def _elapsed(command: list[str]) -> float | str:
    """Return the elapsed time of a command, or why it could not be measured."""
    started = time.perf_counter()
    run = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    spent = time.perf_counter() - started
    if run.returncode in (0, 1) and "Traceback" not in run.stderr:
        return spent
    return "not measured: " + (run.stderr.strip().splitlines() or ["no words"])[0][:70]


def print_times(timed: list[Timed]) -> None:
    """Print a line for each site and each rival."""
    print(
        f"{'site':<10}{'setups':>8}{'marks':>8}{'side shots':>12}{'observations':>14}{'steps':>7}"
        f"{'solve':>13}{'statistics':>13}{'whole':>13}{'peak':>10}"
    )
    for one in timed:
        size = SIZES[one.name]
        print(
            f"{one.name:<10}{size.setups:>8,}{size.marks:>8,}{size.side_shots:>12,}"
            f"{3 * len(one.network.sights):>14,}{one.steps:>7}"
            f"{_ms(one.solve):>13}{_ms(one.statistics):>13}{_ms(one.whole):>13}"
            f"{_peak(one.name):>7.0f} MB"
        )
    for one in timed:
        for rival, spent in one.rivals.items():
            print(f"{one.name}: {rival} {_ms(spent)}")


def _ms(seconds: float) -> str:
    return f"{1000 * seconds:,.1f} ms"


def _peak(name: str) -> float:
    """Return the peak memory (MB) of a process that makes and adjusts the site once."""
    code = f"from tests.bench.performance import show_peak; show_peak({name!r})"
    run = subprocess.run([*PYTHON, code], cwd=ROOT, capture_output=True, text=True, check=True)
    return float(run.stdout)


def show_peak(name: str) -> None:
    """Adjust a site and print the peak memory (MB) of this process; needs Linux."""
    whole(make_site(SIZES[name]))
    status = Path("/proc/self/status").read_text(encoding="ascii")
    line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
    print(int(line.split()[1]) / 1000)


def print_ratios(rows: list[tuple[str, float | str, float]]) -> None:
    """Print each ratio beside its target."""
    print(f"\n{'ratio':<48}{'measured':>10}{'target':>8}")
    for label, ratio, target in rows:
        if isinstance(ratio, str):
            print(f"{label:<48}  {ratio} (target {target})")
        else:
            verdict = "" if ratio <= target else "   missed"
            print(f"{label:<48}{ratio:>10.2f}{target:>8.2f}{verdict}")


if __name__ == "__main__":
    main()
