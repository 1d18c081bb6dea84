"""Has anything become slower? Ratios of processor times, held against those recorded.

    python -m tests.bench.ratios            says them beside what was recorded
    python -m tests.bench.ratios --check    fails where one is beyond 1.3 times it, thrice
    python -m tests.bench.ratios --record   writes them down

from the root of the source tree. Both sides of a ratio run in turn on the same machine, and the
least of a few runs counts on each side: other work on the machine makes a run longer, never
shorter. What takes a tenth of a second is too noisy to be held. Whole commands on a site of 100
setups tell what grows faster than the site does.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.bench.bare_tools import give_start
from tests.bench.performance import PYTHON, ROOT, TIEUP, children_time, seconds, whole
from tests.bench.rivals import solve_with_splu
from tests.bench.sites import SIZES, make_site, write_job
from tieup.threads import one_thread

RECORDED = Path(__file__).with_name("ratios.json")
WORSE = 1.3
TRIES = 3
RUNS = 3
IMPORTS = [*PYTHON, "import numpy, scipy.sparse, pandas"]

Side = Callable[[], float]


def command(*words: str) -> Side:
    """Return what gives the processor time (s) of a command; exit status 1 is an answer too."""

    def run() -> float:
        before = children_time()
        done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
        if done.returncode > 1 or "Traceback" in done.stderr:
            raise RuntimeError(done.stderr or done.stdout)
        return children_time() - before

    return run


def bare(job: Path) -> Side:
    """Return what gives the time of `tests.bench.bare_tools` on a reconciled job."""
    words = [sys.executable, "-m", "tests.bench.bare_tools", str(job), str(job / "out")]

    def run() -> float:
        done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
        return float(done.stdout)

    return run


def sides(folder: Path) -> dict[str, tuple[Side, Side]]:
    """Return both sides of every ratio by name."""
    city, campaign = make_site(SIZES["city"]), make_site(SIZES["campaign"])
    job, day = folder / "campaign", folder / "day"
    write_job(campaign, job)
    give_start(campaign, job)
    write_job(make_site(SIZES["day"]), day)
    sample, out = str(ROOT / "sample_raw" / "fire_station"), str(folder / "out")
    mistakes = command(*TIEUP, "reconcile", sample, "--out", out)
    reconcile = command(*TIEUP, "reconcile", str(job))
    reconcile()  # there are tables now
    return {
        "day: whole command / its imports": (
            command(*TIEUP, "reconcile", str(day)),
            command(*IMPORTS),
        ),
        "sample with three mistakes / its imports": (mistakes, command(*IMPORTS)),
        "campaign: whole command / bare tools": (reconcile, bare(job)),
        "city: whole adjustment / splu, shared marks only": (
            lambda: seconds(lambda: whole(city)),
            lambda: seconds(lambda: solve_with_splu(city, side_shots=False)),
        ),
    }


def measure(asked: dict[str, tuple[Side, Side]]) -> dict[str, float]:
    """Return the ratios by name."""
    found = {}
    with one_thread():
        for name, (left, right) in asked.items():
            pairs = [(left(), right()) for _ in range(RUNS)]
            found[name] = min(pair[0] for pair in pairs) / min(pair[1] for pair in pairs)
    return found


def main() -> int:
    """Measure, and check or record."""
    parser = argparse.ArgumentParser(description="Has anything become slower?")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--record", action="store_true")
    options = parser.parse_args()
    with TemporaryDirectory() as folder:
        asked = sides(Path(folder))
        if options.check:
            return _held(asked)
        found = measure(asked)
        if options.record:
            rounded = {name: round(ratio, 3) for name, ratio in found.items()}
            RECORDED.write_text(json.dumps(rounded, indent=1) + "\n", encoding="utf-8")
        _print(found, _recorded())
        return 0


def _held(asked: dict[str, tuple[Side, Side]]) -> int:
    """Measure again what is beyond; return 1 where it stays so."""
    recorded = _recorded()
    for _ in range(TRIES):
        found = measure(asked)
        _print(found, recorded)
        asked = {name: asked[name] for name in found if found[name] > WORSE * recorded[name]}
        if not asked:
            return 0
    print(f"Slower than {WORSE} times what was recorded: {', '.join(asked)}")
    return 1


def _recorded() -> dict[str, float]:
    return dict(json.loads(RECORDED.read_text(encoding="utf-8")))


def _print(found: dict[str, float], recorded: dict[str, float]) -> None:
    for name, ratio in found.items():
        print(f"{name:<52}{ratio:>8.2f}  recorded {recorded[name]:.2f}")


if __name__ == "__main__":
    sys.exit(main())
