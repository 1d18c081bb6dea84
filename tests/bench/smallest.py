"""Is a mistake of exactly the printed size noticed 8 times in 10?

    python -m tests.bench.smallest [--draws 2000] [--jobs 8]

On the misclosures of invented jobs: errors are drawn from the stated covariance, the scatter is
estimated as in a run, one reading is put off by exactly what would be printed for it, and the whole
search is made. With it the share that would be noticed of a mistake planned before any reading.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np

from tests.bench.days import draw_day
from tests.bench.jobfolders import job_folder
from tests.bench.worlds import world_of
from tieup.adjust.scatter import estimate_scatter, expected_scatter
from tieup.config import load_job
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.evidence.detection import detect
from tieup.diagnose.evidence.margins import noticed_size
from tieup.diagnose.evidence.misclosures import Tested, misclosures_of
from tieup.diagnose.search.look import evidence_of, hypotheses_of
from tieup.model.observations import KINDS
from tieup.pipeline import make_case
from tieup.read import read_control, read_fieldbook
from tieup.threads import one_thread


def tested_of(job: int) -> tuple[Tested, list[int]]:
    """Return the tested columns of one invented job, and which of them are single readings."""
    with job_folder(draw_day(world_of("stated"), 1, job)) as folder:
        read = load_job(folder)
        book = read_fieldbook(read)
        control = read_control(read.control_file, read) if read.control_file else None
        case = make_case(read, book, control)
    solved = solve(case)
    dense = misclosures_of(evidence_of(solved), case.precision)
    assert dense is not None
    asked = hypotheses_of(solved, dense.evidence)
    single = [n for n, h in enumerate(asked) if h.kind in KINDS]
    return dense.columns(asked), single


def draw(tested: Tested, one: int, planned: bool, rng: np.random.Generator) -> bool:
    """Say whether a mistake in hypothesis ``one`` is noticed in one draw of the errors."""
    misclosures = tested.misclosures
    root = np.linalg.cholesky(misclosures.covariance(np.ones(5)))
    t = root @ rng.standard_normal(len(misclosures))
    clean = replace(tested, misclosures=replace(misclosures, t=t))
    if planned:
        scatter = expected_scatter(misclosures)
    else:
        scatter = estimate_scatter(clean.misclosures, tested.of(()))
    column = tested.columns[:, tested.span[one]]
    weight = np.linalg.inv(misclosures.covariance(scatter.cautious))
    information = float((column.T @ weight @ column).item())
    freedom = tested.freedom(scatter.cautious, scatter, np.array([one]))
    smallest = float(noticed_size(len(tested.span), freedom, planned=planned)[0])
    size = smallest / information**0.5 * rng.choice([-1.0, 1.0])
    spoiled = replace(clean.misclosures, t=t + size * column[:, 0])
    return bool(detect(replace(tested, misclosures=spoiled), len(tested.span)).taken)


def main() -> None:
    """Count what is noticed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=8)
    given = parser.parse_args()
    rng, found = np.random.default_rng(1), Counter[bool]()
    each = given.draws // given.jobs
    with one_thread():
        for job in range(given.jobs):
            tested, single = tested_of(job)
            for _ in range(each):
                for planned in (False, True):
                    found[planned] += draw(tested, int(rng.choice(single)), planned, rng)
            total = each * (job + 1)
            shares = (found[False] / total, found[True] / total)
            print(f"{total} draws: printed {shares[0]:.1%}, planned {shares[1]:.1%}", flush=True)


if __name__ == "__main__":
    main()
