"""How large is a level run's or a tape's mistake, once the site is solved without it?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.adjust.covariance import point_covariance
from tieup.diagnose.evidence import gather, stack
from tieup.diagnose.levels import named_run, single_runs
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.search import INSEPARABLE, WORTH_NAMING
from tieup.diagnose.solve import Solved, job_frame, settled_fit, take_links, without_gross
from tieup.diagnose.subjects import Subjects
from tieup.model.arrays import FloatArray
from tieup.model.network import Links, Network


def measured_run(solved: Solved, mistake: Mistake) -> Mistake:
    """Return the mistake with size, test, rivals and its name; as it is where its marks have none.

    The size is what was booked less what the rest of the site says.
    """
    number = mistake.links[0]
    link = take_links(solved.case.links, np.array([number]))
    ends = np.array([link.start[0], link.end[0]])
    offset = solved.adjustment.position[ends[1]] - solved.adjustment.position[ends[0]]
    along = np.array([0.0, 0.0, 1.0])
    if mistake.kind == "tape":
        along = np.array([*offset[:2], 0.0]) / np.hypot(*offset[:2])
    joint = point_covariance(solved.adjustment, ends)
    spread = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
    with np.errstate(invalid="ignore"):
        expected = float(np.nansum(offset * along)) if mistake.kind == "tape" else float(offset[2])
    used = np.ix_(along != 0.0, along != 0.0)
    variance = float(along[along != 0.0] @ spread[used] @ along[along != 0.0] + link.sd[0] ** 2)
    if not np.isfinite(expected + variance):
        return mistake
    size = np.array([link.value[0] - expected])
    rivals = _rivals(solved, link, expected, float(size[0]))
    measured = replace(
        mistake,
        size=size,
        covariance=np.array([[variance]]),
        statistic=float(abs(size[0]) / variance**0.5),
        rivals=rivals,
    )
    return named_run(solved.case, measured)


def _rivals(solved: Solved, link: Links, expected: float, size: float) -> tuple[RivalCause, ...]:
    """Name the other runs and tapes that would explain the same misfit, by putting it back."""
    case, calm = solved.case, without_gross(solved.network)
    network, adjustment = settled_fit(
        _with_link(calm, link, expected), case, lambda left: job_frame(case, left)
    )
    network = without_gross(network)
    evidence = gather(network, adjustment, solved.reduction.pointings)
    runs = list(single_runs(Subjects(case.shots, case.setups, case.points, evidence)))
    added = [
        n for n, run in enumerate(runs) if adjustment.problem.links[run.links[0]] == _last(network)
    ]
    if not added:
        return ()
    tested = stack(evidence, runs)
    column = tested.index(added)
    cross: FloatArray = tested.cross(column)[:, 0]
    (single,) = tested.alike
    own = single.block[:, 0, 0]
    best = own[added[0]] * size**2
    with np.errstate(invalid="ignore", divide="ignore"):
        statistic = np.where(own > 1e-8, (cross * size) ** 2 / own, 0.0)
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


def _last(network: Network) -> int:
    return len(network.links.kind) - 1


def _with_link(network: Network, link: Links, value: float) -> Network:
    """Return the network with one link more, at ``value`` (m)."""
    put = replace(link, value=np.array([value]))
    links = Links(
        *(
            np.concatenate([a, b])
            for a, b in zip(vars(network.links).values(), vars(put).values(), strict=True)
        )
    )
    return replace(network, links=links)
