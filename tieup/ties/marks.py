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

from tieup.adjust.distributions import chi_square_log_tail
from tieup.adjust.hypothesis import gram, place_shift, project, score
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.settings import Tolerances
from tieup.ties.family import JOB_LEVEL, chance_of, holm
from tieup.ties.known import known_to_control
from tieup.ties.verdicts import UNASKED, Judgement, judge, state_of
from tieup.ties.withheld import WithheldTies

TESTABLE = 1e-3  # smallest share of a shift that must stay visible in the residuals
PLAN, UP = np.arange(2), np.array([2])


@dataclass(frozen=True)
class MarkTies:
    """Ties, t of them, ordered by point then setup.

    ``difference`` (t, 3) N, E, H in m and its ``covariance`` (t, 3, 3); NaN in plan or in
    height where nothing tests it. ``control`` (t,) marks control points, ``plumb`` (t,) the
    ties of a setup to the mark it stands over, ``withheld`` (t,) ties of which sights were
    left out of the solution, ``height`` (t,) marks whose height is wanted at all.

    ``plan`` (t,) is the size of the plan difference (m), ``plan_sd`` its sd along itself. A
    sight without distance is tested across the line of sight alone (``partial`` (t,)): then
    ``plan`` is that part and the components stay NaN. ``plan_statistic`` is chi-square with
    ``plan_freedom`` degrees, 0 where nothing tests the plan.
    """

    point: IntArray
    setup: IntArray
    difference: FloatArray
    covariance: FloatArray
    control: BoolArray
    plumb: BoolArray
    withheld: BoolArray
    height: BoolArray
    plan: FloatArray
    plan_sd: FloatArray
    plan_statistic: FloatArray
    plan_freedom: IntArray

    def __len__(self) -> int:
        return len(self.point)

    @property
    def sd(self) -> FloatArray:
        """Return the standard deviations (t, 3) in m."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))

    @property
    def partial(self) -> BoolArray:
        """Return which ties are tested in plan along one line only."""
        return np.asarray(self.plan_freedom == 1)


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
    pairs, group = np.unique(np.concatenate([inside, outside, alone]), axis=0, return_inverse=True)
    group = group.reshape(-1)
    control = known_to_control(adjustment)
    shared = np.bincount(pairs[:, 0], minlength=len(control)) > 1
    wanted = np.flatnonzero((shared | control)[pairs[:, 0]])
    number = np.full(len(pairs), -1)
    number[wanted] = np.arange(len(wanted))
    of_inside = number[group[: len(inside)]]
    seen, left, push = _sums(adjustment, of_inside, len(wanted))
    of_outside = number[group[len(inside) : len(inside) + len(outside)]]
    if withheld is not None:
        chosen = of_outside >= 0
        for total, more in ((seen, withheld.seen), (left, withheld.left), (push, withheld.push)):
            np.add.at(total, of_outside[chosen], more[chosen])
    plumb, missing = np.zeros(len(wanted), dtype=bool), np.zeros(len(wanted), dtype=bool)
    plumb[of_inside[connections.plumb & (of_inside >= 0)]] = True
    missing[of_outside[of_outside >= 0]] = True
    point, setup = pairs[wanted].T
    height = adjustment.problem.network.start.height_point[point]
    flags = (control[point], plumb, missing, height)
    return _assemble(point, setup, flags, _solve(seen, left, push))


def judge_ties(ties: MarkTies, limits: Tolerances, level: float = JOB_LEVEL) -> Judgement:
    """Judge every tie by its sd and by the limits.

    ``level`` is the chance that a clean job has any tie called an error.
    """
    rise, sd = ties.difference[:, 2], ties.sd
    with np.errstate(invalid="ignore"):
        up = chance_of((rise / sd[:, 2]) ** 2, np.isfinite(rise).astype(np.int64))
    flat = chance_of(ties.plan_statistic, ties.plan_freedom)
    beyond = holm(np.concatenate([flat, up]), level)
    plan = state_of(ties.plan, ties.plan_sd, limits.horizontal, beyond[: len(ties)])
    height = state_of(rise, sd[:, 2], limits.elevation, beyond[len(ties) :])
    height[~ties.height] = UNASKED
    return judge(plan, height)


def clearness(ties: MarkTies) -> FloatArray:
    """Return how clearly each tie (t,) differs: minus the log of its smaller chance."""
    with np.errstate(invalid="ignore"):
        up = (ties.difference[:, 2] / ties.sd[:, 2]) ** 2
    one = np.ones(len(ties), dtype=np.int64)
    degrees = np.maximum(ties.plan_freedom, 1)
    chance = np.array(
        [chi_square_log_tail(up, one), chi_square_log_tail(ties.plan_statistic, degrees)]
    )
    return np.asarray(-np.nan_to_num(chance, nan=0.0).min(axis=0))


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


def _sums(
    adjustment: Adjustment, tie: IntArray, count: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return seen, left (t, 3, 3) and push (t, 3) from the connections of the solution.

    ``tie`` (c,) numbers the tie of each connection, -1 for none.
    """
    seen, left = np.zeros((count, 3, 3)), np.zeros((count, 3, 3))
    push = np.zeros((count, 3))
    times = np.bincount(tie[tie >= 0], minlength=count)
    one = np.flatnonzero((tie >= 0) & (times[np.maximum(tie, 0)] == 1))
    place = adjustment.rows.by_place[one]
    with np.errstate(invalid="ignore"):
        residual = np.nan_to_num(adjustment.residual[one] / adjustment.sd[one])
    across = place.transpose(0, 2, 1)
    seen[tie[one]] = across @ place
    left[tie[one]] = seen[tie[one]] - across @ adjustment.leverage[one] @ place
    push[tie[one]] = -(across @ residual[:, :, None])[:, :, 0]
    several = np.flatnonzero(times > 1)
    if len(several):
        order = np.argsort(tie, kind="stable")
        starts = np.searchsorted(tie[order], [several, several + 1])
        bias = place_shift(adjustment, [order[a:b] for a, b in starts.T])
        whole, remaining = gram(bias, bias), gram(bias, project(adjustment, bias))
        pushes = score(adjustment, bias)
        for number, i in enumerate(several):
            own = slice(3 * number, 3 * number + 3)
            seen[i], left[i], push[i] = whole[own, own], remaining[own, own], pushes[own]
    return seen, left, push


@dataclass(frozen=True)
class _Shifts:
    difference: FloatArray
    covariance: FloatArray
    line: FloatArray  # (t, 2) size and sd along the one line that is tested, NaN elsewhere


def _solve(seen: FloatArray, left: FloatArray, push: FloatArray) -> _Shifts:
    """Solve for the shifts; in plan alone or in height alone where not all three show."""
    difference = np.full(push.shape, np.nan)
    covariance = np.full(left.shape, np.nan)
    for parts in (np.arange(3), PLAN, UP):
        square = np.ix_(np.arange(len(push)), parts, parts)
        open_ = np.isnan(difference[:, parts]).all(axis=1)
        good = open_ & _visible(seen[square], left[square])
        if parts is PLAN:
            good &= ~_lost_in_plan(left)
        inverse = np.linalg.inv(left[square][good])
        rows = np.flatnonzero(good)
        difference[np.ix_(rows, parts)] = (inverse @ push[np.ix_(rows, parts)][:, :, None])[:, :, 0]
        covariance[np.ix_(rows, parts, parts)] = inverse
    return _Shifts(difference, covariance, _along_one_line(seen, left, push, difference))


def _lost_in_plan(left: FloatArray) -> BoolArray:
    """Say where the shift that shows least lies in plan rather than in height.

    A sight without distance has a zenith angle to say how high along its line the mark is: with
    the height taken as known that would pass for a distance.
    """
    _, axes = np.linalg.eigh(left)
    return np.asarray(np.abs(axes[:, 2, 0]) < np.sqrt(0.5))


def _along_one_line(
    seen: FloatArray, left: FloatArray, push: FloatArray, difference: FloatArray
) -> FloatArray:
    """Return size and sd (t, 2) of the plan shift along the best tested line."""
    line = np.full((len(push), 2), np.nan)
    rows = np.flatnonzero(np.isnan(difference[:, 0]))
    _, axes = np.linalg.eigh(left[rows, :2, :2])
    best = axes[:, :, 1]
    kept = np.einsum("ti,tij,tj->t", best, left[rows, :2, :2], best)
    whole = np.einsum("ti,tij,tj->t", best, seen[rows, :2, :2], best)
    shows = kept > np.maximum(TESTABLE * whole, 1e-9)
    pushed = np.einsum("ti,ti->t", best, push[rows, :2])
    line[rows[shows], 0] = np.abs(pushed[shows] / kept[shows])
    line[rows[shows], 1] = kept[shows] ** -0.5
    return line


def _visible(seen: FloatArray, left: FloatArray) -> BoolArray:
    """Say which shifts stay visible: the smallest share that the residuals keep of them."""
    scale = np.diagonal(seen, axis1=1, axis2=2)
    measured: BoolArray = (scale > 0).all(axis=1) & (np.linalg.cond(seen) < 1e12)
    share = np.zeros(len(seen))
    root = np.linalg.inv(np.linalg.cholesky(seen[measured]))
    kept = root @ left[measured] @ root.transpose(0, 2, 1)
    share[measured] = np.linalg.eigvalsh(kept)[:, 0]
    return np.asarray(share > TESTABLE)


def _assemble(
    point: IntArray, setup: IntArray, flags: tuple[BoolArray, ...], shifts: _Shifts
) -> MarkTies:
    flat = shifts.covariance[:, :2, :2]
    full = np.isfinite(flat).all(axis=(1, 2))
    shift = shifts.difference[:, :2]
    size = np.where(full, np.hypot(shift[:, 0], shift[:, 1]), shifts.line[:, 0])
    statistic = (shifts.line[:, 0] / shifts.line[:, 1]) ** 2
    sd = shifts.line[:, 1].copy()
    unit = shift[full] / np.maximum(size[full], 1e-12)[:, None]
    sd[full] = np.sqrt(np.einsum("ti,tij,tj->t", unit, flat[full], unit))
    inverse = np.linalg.inv(flat[full])
    statistic[full] = np.einsum("ti,tij,tj->t", shift[full], inverse, shift[full])
    freedom = np.where(full, 2, np.isfinite(statistic).astype(np.int64))
    control, plumb, withheld, height = flags
    return MarkTies(
        point,
        setup,
        shifts.difference,
        shifts.covariance,
        control,
        plumb,
        withheld,
        height,
        size,
        sd,
        statistic,
        freedom,
    )
