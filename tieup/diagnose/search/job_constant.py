"""The distance constant that all distances of a job ask for, however sure they are of it.

A wrong prism setting hides in the stations of a job whose marks lie all to one side, so
that no test calls it out. What the distances would like is told all the same, with how well
it is known; nothing is left out or corrected for it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.solve import Solved, without_gross
from tieup.diagnose.evidence.conditional_tests import estimate, judge_all
from tieup.diagnose.evidence.evidence import Stack, gather, stack
from tieup.diagnose.evidence.identification import INSEPARABLE, WORTH_NAMING
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.distance_settings import DISTANCE_SCALE, PRISM_CONSTANT, job_distances
from tieup.diagnose.search.diagnose import Diagnosis

WORTH_TELLING = 0.005  # m; prisms differ by more: common practice, no source
KNOWN = 0.02  # m; an sd beyond this says that the site's shape cannot show a constant


def with_job_constant(diagnosis: Diagnosis) -> Diagnosis:
    """Return the diagnosis with the job's distance constant among what stays in.

    Nothing is added where the constant is below 5 mm, not visible, or found already.
    """
    told = any(
        mistake.kind == PRISM_CONSTANT.name and not mistake.setup
        for mistake in (*diagnosis.mistakes, *diagnosis.kept)
    )
    found = None if told else job_constant(diagnosis.solved)
    if found is None or abs(found.magnitude) < WORTH_TELLING or found.sd > KNOWN:
        return diagnosis
    return replace(diagnosis, kept=(*diagnosis.kept, found))


def job_constant(solved: Solved) -> Mistake | None:
    """Estimate one constant (m, observed minus right) in all distances of the job.

    Returns
    -------
    The constant with its variance and test, a scale of the job as its rival; None where the
    distances cannot show one.
    """
    case, network = solved.case, without_gross(solved.network)
    evidence = gather(network, solved.adjustment, solved.reduction.pointings)
    subjects = Subjects(case.shots, case.setups, case.points, evidence)
    asked = list(job_distances(subjects))
    if not asked:
        return None
    tested = stack(evidence, asked)
    statistic = judge_all(tested)
    if np.isnan(statistic[0]) or statistic[1] > statistic[0] + INSEPARABLE:
        return None  # not visible, or a scale is what the distances ask for
    return _mistake(tested, asked, statistic[0], statistic[1])


def _mistake(tested: Stack, asked: list[Hypothesis], own: float, scale: float) -> Mistake:
    size, covariance = estimate(tested, (0,), 0)
    rivals: tuple[RivalCause, ...] = ()
    if scale > WORTH_NAMING * own:
        separable = own - scale > INSEPARABLE
        rival = DISTANCE_SCALE.rival("", (), float(scale**0.5))
        rivals = (replace(rival, separable=separable),)
    return replace(
        Mistake.of(asked[0]),
        size=size,
        covariance=covariance,
        statistic=float(max(own, 0.0) ** 0.5),
        rivals=rivals,
    )
