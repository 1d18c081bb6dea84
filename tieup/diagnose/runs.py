"""How large is the mistake of a link between two marks, once the site is solved without it?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.diagnose.evidence import gather, stack
from tieup.diagnose.levels import named_run, single_runs
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.search import INSEPARABLE, WORTH_NAMING
from tieup.diagnose.solve import Solved, job_frame, on_own_line, settled_fit, without_gross
from tieup.diagnose.subjects import Subjects
from tieup.model.arrays import FloatArray
from tieup.model.network import Links

UNCHECKED = 1e-8  # information (whitened) below which nothing checks a link


def measured_run(solved: Solved, mistake: Mistake) -> Mistake:
    """Return the mistake with size, test, rivals and its name; as it is where its marks have none.

    The size is what was booked less what the rest of the site says.
    """
    position, origin = solved.adjustment.position, solved.network.origin
    case = solved.case
    link = case.links.take(case.links.booked == mistake.links[0])
    link = on_own_line(link, position + origin, case.precision.grid)
    ends = np.array([link.start[0], link.end[0]])
    joint = point_covariance(solved.adjustment, ends)
    spread = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
    expected, by_end = link.predicted(position)
    used = by_end.any(axis=0)
    by_end, spread = by_end[:, used], spread[np.ix_(used, used)]
    covariance = by_end @ spread @ by_end.T + np.diag(link.sd**2)
    if not np.isfinite(expected).all() or not np.isfinite(covariance).all():
        return mistake
    back = np.linalg.inv(link.along) if len(expected) > 1 else np.eye(1)
    size = back @ (link.value - expected)
    measured = replace(
        mistake,
        size=size,
        covariance=back @ covariance @ back.T,
        statistic=float(
            np.linalg.norm(np.linalg.solve(np.linalg.cholesky(covariance), link.value - expected))
        ),
        rivals=_rivals(solved, replace(link, value=expected), size),
    )
    return named_run(solved.case, measured)


def _rivals(solved: Solved, link: Links, size: FloatArray) -> tuple[RivalCause, ...]:
    """Name the other links that would explain the same misfit, by putting ``link`` back.

    It is put back at what the site expects of it.
    """
    case, calm = solved.case, without_gross(solved.network)
    count = len(calm.links.kind)
    put = calm.links.joined(link)
    start = replace(calm.start, gross_link=np.zeros(len(put.kind), dtype=np.bool_))
    network, adjustment = settled_fit(
        replace(calm, links=put, start=start), case, lambda left: job_frame(case, left)
    )
    network = without_gross(network)
    evidence = gather(network, adjustment, solved.reduction.pointings)
    runs = list(single_runs(Subjects(case.shots, case.setups, case.points, evidence)))
    added = [n for n, run in enumerate(runs) if adjustment.problem.links[run.links[0]] >= count]
    if not added:
        return ()
    tested = stack(evidence, runs)
    pull, statistic = tested.cross(tested.index(added)) @ size, np.zeros(len(runs))
    for group in tested.alike:
        for number, block in zip(group.numbers.tolist(), group.block, strict=True):
            statistic[number] = _explained(block, pull[tested.span[number]])
    best = float(statistic[added[0]])
    statistic[added] = 0.0
    order = np.argsort(-statistic, kind="stable")[:4]
    return tuple(
        RivalCause(
            runs[n].kind,
            "",
            runs[n].points,
            float(statistic[n] ** 0.5),
            separable=bool(best - statistic[n] > INSEPARABLE),
        )
        for n in order.tolist()
        if statistic[n] > WORTH_NAMING * best
    )


def _explained(block: FloatArray, pull: FloatArray) -> float:
    """Return what a link explains that is pulled so far, 0 where nothing checks it."""
    if len(pull) == 1:
        return float(pull[0] ** 2 / block[0, 0]) if block[0, 0] > UNCHECKED else 0.0
    return float(pull @ np.linalg.pinv(block, rcond=UNCHECKED, hermitian=True) @ pull)
