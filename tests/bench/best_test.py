"""How often the best test could see a mistake of a whole setup or job: what nobody can name.

    python -m tests.bench.best_test [lean-20 lean-60 scale] [--jobs 200]

On the days of whole_mistakes: the noncentrality of the test for exactly this mistake, and the
chance that it stands above the threshold which one of the job's hypotheses must reach: where the
scatter is known beforehand (noncentral chi-square), and where it must be estimated from the job
(noncentral F). More than the mean of these chances no test can name at that rate of false alarms.

    lean-20, lean-60  the vertical axis of a setup leans by so many arc seconds, any way
    scale             all distances of a job with control too long by 20 to 500 ppm, in equal shares
                      of the log

Reference: Baarda (1968), power of a test and noncentrality.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.stats import ncf, ncx2

from tests.bench.days import SECOND, Day, draw_day
from tests.bench.grounds import FloatArray
from tests.bench.jobfolders import job_folder
from tests.bench.whole_mistakes import PLANTERS, SCALES, SEED
from tests.bench.worlds import world_of
from tieup.adjust.distributions import chi_square_critical, f_critical
from tieup.adjust.scatter import expected_scatter
from tieup.config import load_job
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.evidence.misclosures import misclosures_of
from tieup.diagnose.evidence.thresholds import FALSE_ALARM
from tieup.diagnose.search.look import evidence_of, hypotheses_of
from tieup.pipeline import make_case, read_site
from tieup.threads import one_thread

WAYS = np.linspace(0.0, np.pi, 16, endpoint=False)  # a lean and its opposite are seen alike
LEAN = np.array([np.cos(WAYS), np.sin(WAYS)])
SIZES = np.exp(np.linspace(*np.log(SCALES), 16))[None, :]
ASKED: dict[str, tuple[str, FloatArray, tuple[str, ...]]] = {
    "lean-20": ("axis-tilt", 20.0 * SECOND * LEAN, PLANTERS["tilt"][1]),
    "lean-60": ("axis-tilt", 60.0 * SECOND * LEAN, PLANTERS["tilt"][1]),
    "scale": ("distance-scale", SIZES, PLANTERS["scale"][1]),
}


def powers(day: Day, kind: str, sizes: FloatArray) -> list[tuple[float, float]]:
    """Return for each hypothesis of ``kind`` the mean chance over ``sizes`` (q, n) that it is seen.

    With the scatter known, and estimated. Of a scale only that of the whole job counts.
    """
    with job_folder(day) as folder:
        job = load_job(folder)
        case = make_case(job, *read_site(job))
    solved = solve(case)
    dense = misclosures_of(evidence_of(solved), case.precision)
    assert dense is not None
    asked = hypotheses_of(solved, dense.evidence)
    tested, each, scatter = dense.columns(asked), FALSE_ALARM / len(asked), np.ones(5)
    stack, expected = tested.stack(scatter), expected_scatter(dense.misclosures)
    found = []
    for number in [n for n, one in enumerate(asked) if _is_it(one, kind)]:
        seen, degrees = stack.own(stack.index((number,))), asked[number].degrees
        noncentrality = np.einsum("kw,kl,lw->w", sizes, seen, sizes)
        freedom = tested.freedom(scatter, expected, np.array([number]))
        limit = degrees * f_critical(each, np.array([float(degrees)]), freedom)
        known = ncx2.sf(chi_square_critical(each, degrees), degrees, noncentrality)
        estimated = ncf.sf(limit / degrees, degrees, freedom, noncentrality)
        found.append((float(known.mean()), float(estimated.mean())))
    return found


def _is_it(hypothesis: Hypothesis, kind: str) -> bool:
    return hypothesis.kind == kind and (kind == "axis-tilt" or not hypothesis.setup)


def main() -> None:
    """Print the mean chance of each mistake in each setting."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("mistakes", nargs="*", default=list(ASKED))
    parser.add_argument("--jobs", type=int, default=200)
    given = parser.parse_args()
    with one_thread():
        for name in given.mistakes:
            kind, sizes, settings = ASKED[name]
            for setting in settings:
                drawn = (draw_day(world_of(setting), SEED, k) for k in range(given.jobs))
                days = (day for day in drawn if day.control or kind == "axis-tilt")
                chances = np.array([one for day in days for one in powers(day, kind, sizes)])
                known, estimated = chances.mean(axis=0)
                print(
                    f"{name} {setting}: mean chance {known:.1%} with the scatter known, "
                    f"{estimated:.1%} with it estimated ({len(chances)} cases)",
                    flush=True,
                )


if __name__ == "__main__":
    main()
