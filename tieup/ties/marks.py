"""Mark by mark: where one setup alone puts it, minus where the rest of the site does.

The difference is the shift of the mark, as this one setup saw it, that its observations
ask for against all others. Leaving the setup's sights of the mark out and computing it
both ways gives the same numbers; here they come from the leverage of the adjustment, with
the full covariance: the setup's common errors (its position, its orientation, its
instrument height) are in the standard deviation.

A setup over a mark ties to it by its plumb line: there the difference is where the plumb
line and the booked instrument height put the mark, minus where everything else does.

What a tie cannot show: a free station takes up an error common to all its heights. Its
ties agree, and its shots come out right; only the height of the instrument is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.estimable import Information
from tieup.adjust.hypothesis import informations, place_shift, place_shifts
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.model.settings import Tolerances
from tieup.ties.iterative_snooping import judged_apart
from tieup.ties.known import known_to_control
from tieup.ties.multiple_testing import JOB_LEVEL, holm
from tieup.ties.shifts import VAGUE, Shifts
from tieup.ties.suspects import Suspects
from tieup.ties.verdicts import UNASKED, Judgement, judge, state_of
from tieup.ties.withheld import WithheldTies


@dataclass(frozen=True)
class MarkTies:
    """Ties, t of them, ordered by point then setup.

    ``shifts``: this setup alone minus the rest of the site, ties found wrong not counting as
    part of the rest. ``control`` (t,) marks control points, ``plumb`` (t,) the ties of a setup
    to the mark it stands over, ``withheld`` (t,) ties of which sights were left out of the
    solution, ``height`` (t,) marks whose height is wanted at all.
    """

    point: IntArray
    setup: IntArray
    shifts: Shifts
    control: BoolArray
    plumb: BoolArray
    withheld: BoolArray
    height: BoolArray

    def __len__(self) -> int:
        return len(self.point)

    @property
    def difference(self) -> FloatArray:
        """Return the differences (t, 3) N, E, H in m; NaN in plan or height where untested."""
        return self.shifts.difference

    @property
    def covariance(self) -> FloatArray:
        """Return the covariances (t, 3, 3) in m^2."""
        return self.shifts.covariance

    @property
    def sd(self) -> FloatArray:
        """Return the standard deviations (t, 3) in m."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))

    @property
    def plan(self) -> FloatArray:
        """Return the sizes (t,) of the plan differences in m, or of the part that is tested."""
        return self.shifts.plan

    @property
    def plan_sd(self) -> FloatArray:
        """Return the sds (t,) of the plan differences along themselves in m."""
        return self.shifts.plan_sd

    @property
    def partial(self) -> BoolArray:
        """Return which ties are tested in plan along one line only (a sight without distance)."""
        return np.asarray(self.shifts.plan_freedom == 1)

    @property
    def clearness(self) -> FloatArray:
        """Return how clearly each tie (t,) differs: minus the log of its smaller chance."""
        return self.shifts.clearness()


def mark_ties(adjustment: Adjustment, withheld: WithheldTies | None = None) -> MarkTies:
    """Return every tie of a shared or control mark with a setup.

    Parameters
    ----------
    withheld
        What was left out of the solution, from `tieup.ties.withheld`, to be shown with it.
    """
    connections = adjustment.connections
    inside = np.column_stack([connections.point, connections.setup])
    outside = np.zeros((0, 2), dtype=np.int64)
    if withheld is not None:
        outside = np.column_stack([withheld.point, withheld.setup])
    aside = adjustment.aside.connections
    alone = np.column_stack([aside.point, aside.setup])
    pairs, group = distinct_pairs(*np.concatenate([inside, outside, alone]).T)
    control = known_to_control(adjustment)
    shared = np.bincount(pairs[:, 0], minlength=len(control)) > 1
    wanted = np.flatnonzero((shared | control)[pairs[:, 0]])
    number = np.full(len(pairs), -1)
    number[wanted] = np.arange(len(wanted))
    of_inside = number[group[: len(inside)]]
    of_outside = number[group[len(inside) : len(inside) + len(outside)]]
    info = _information(adjustment, of_inside, len(wanted))
    shown = info if withheld is None else _with_withheld(info, withheld, of_outside)
    plumb, missing = np.zeros(len(wanted), dtype=bool), np.zeros(len(wanted), dtype=bool)
    plumb[of_inside[connections.plumb & (of_inside >= 0)]] = True
    missing[of_outside[of_outside >= 0]] = True
    point, setup = pairs[wanted].T
    height = adjustment.problem.network.start.height_point[point]
    shifts = judged_apart(adjustment, of_inside, info, shown).without_vague(VAGUE)
    return MarkTies(point, setup, shifts, control[point], plumb, missing, height)


def judge_ties(
    ties: MarkTies,
    limits: Tolerances,
    suspects: Suspects | None = None,
    level: float = JOB_LEVEL,
) -> Judgement:
    """Judge every tie by its sd and by the limits.

    ``level`` is the chance that a clean job has any tie called an error. Only ties of what is
    suspected are, where ``suspects`` are given.
    """
    beyond = holm(ties.shifts.chances().ravel(), level).reshape(2, -1)
    if suspects is not None:
        beyond &= suspects.setup[ties.setup] | suspects.point[ties.point]
    plan = state_of(ties.plan, ties.plan_sd, limits.horizontal, beyond[0])
    height = state_of(ties.difference[:, 2], ties.sd[:, 2], limits.elevation, beyond[1])
    height[~ties.height] = UNASKED
    return judge(plan, height)


def smallest_caught(ties: MarkTies, delta: float) -> FloatArray:
    """Return the smallest mistake that each tie would catch, plan and height (t, 2) in m.

    ``delta`` is the non-centrality (in sds) of the test, 4.13 at 0.001 and 80 %. In plan the
    worst direction counts; infinite where nothing tests it.
    """
    flat = ties.covariance[:, :2, :2]
    half = (flat[:, 0, 0] - flat[:, 1, 1]) / 2.0
    mean = (flat[:, 0, 0] + flat[:, 1, 1]) / 2.0
    worst = np.sqrt(mean + np.hypot(half, flat[:, 0, 1]))
    caught = delta * np.column_stack([worst, ties.sd[:, 2]])
    return np.where(np.isfinite(caught), caught, np.inf)


def _information(adjustment: Adjustment, tie: IntArray, count: int) -> Information:
    """Gather what the connections of the solution say of each tie.

    ``tie`` (c,) numbers the tie of each connection, -1 for none.
    """
    seen, left = np.zeros((count, 3, 3)), np.zeros((count, 3, 3))
    push = np.zeros((count, 3))
    times = np.bincount(tie[tie >= 0], minlength=count)
    one = np.flatnonzero(tie >= 0)
    one = one[times[tie[one]] == 1]
    single = place_shifts(adjustment, one)
    seen[tie[one]], left[tie[one]], push[tie[one]] = single.seen, single.left, single.push
    several = np.flatnonzero(times > 1)
    order = np.argsort(tie, kind="stable")
    starts = np.searchsorted(tie[order], [several, several + 1])
    shifts = [place_shift(adjustment, order[a:b]) for a, b in starts.T]
    for i, info in zip(several, informations(adjustment, shifts), strict=True):
        seen[i], left[i], push[i] = info.seen, info.left, info.push
    return Information(seen, left, push)


def _with_withheld(info: Information, withheld: WithheldTies, tie: IntArray) -> Information:
    """Return ``info`` with what left-out sights say; ``tie`` numbers the tie of each, -1 none."""
    chosen = tie >= 0
    parts = []
    for known, more in (
        (info.seen, withheld.info.seen),
        (info.left, withheld.info.left),
        (info.push, withheld.info.push),
    ):
        total = known.copy()
        np.add.at(total, tie[chosen], more[chosen])
        parts.append(total)
    return Information(*parts)
