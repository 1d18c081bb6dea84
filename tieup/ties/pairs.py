"""Setup against setup: the rigid step between two neighbours, from what both have shot.

The step is the shift (N, E, H) and the turn about the middle of the shared marks that
brings the second setup's placement onto the first's (`tieup.ties.compare`). Where two setups
are tied by the shared marks alone there is nothing to compare with: each takes on the
other's placement, and the step is NaN. A turn needs two marks.

A turn matters where the setup's shots are: it is carried to the farthest of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.settings import Tolerances
from tieup.ties.adjacency import neighbours_among
from tieup.ties.compare import TURN, Steps, compare, within_means
from tieup.ties.multiple_testing import chance_of, holm
from tieup.ties.sharing import find_sharing, misfits, neighbours
from tieup.ties.suspects import Suspects
from tieup.ties.verdicts import BAD, Judgement, judge, state_of

LEVEL = 0.001  # chance that a clean job has any pair called off
PLAN = np.array([0, 1, TURN])


@dataclass(frozen=True)
class PairSteps:
    """Steps of q pairs of setups, ordered by their numbers.

    ``pair`` (q, 2): first and second setup. ``common`` (q,): marks that both have shot, ``work``
    (q,): those of them that are no control, ``shared`` (q,): those compared. ``neighbour`` (q,):
    no third setup stands between the two.

    ``step`` (q, 4): N, E, H in m and turn in rad, first minus second, at the ``middle`` (q, 2)
    of the marks; ``covariance`` (q, 4, 4); NaN where nothing tests it. ``plan``, ``plan_sd``
    (q,): size of the plan step at the middle and its sd along itself. ``far_point`` (q,) is the
    shot of the two that lies farthest from the middle, -1 where there is no plan step; there the
    step in plan is ``far_plan`` (q,) with ``far_sd``. ``computed`` (q,) is False for pairs that
    were left out because the job is too large.
    """

    pair: IntArray
    common: IntArray
    work: IntArray
    shared: IntArray
    neighbour: BoolArray
    step: FloatArray
    covariance: FloatArray
    middle: FloatArray
    plan: FloatArray
    plan_sd: FloatArray
    far_point: IntArray
    far_plan: FloatArray
    far_sd: FloatArray
    computed: BoolArray

    def __len__(self) -> int:
        return len(self.pair)

    @property
    def sd(self) -> FloatArray:
        """Return the standard deviations (q, 4) in m and rad."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


def pair_steps(adjustment: Adjustment) -> PairSteps:
    """Estimate the rigid step of every pair of setups that share a mark."""
    sharing = find_sharing(adjustment)
    pairs, marks, common, work = neighbours(sharing)
    comparisons = [
        sharing.comparison(s, t, shared)
        for (s, t), shared in zip(pairs.tolist(), marks, strict=True)
    ]
    chosen = within_means(comparisons, misfits(adjustment, comparisons))
    found = compare(adjustment, [comparisons[i] for i in chosen])
    steps = Steps(
        np.full((len(pairs), 4), np.nan),
        np.full((len(pairs), 4, 4), np.nan),
        np.full((len(pairs), 2), np.nan),
    )
    steps.step[chosen], steps.covariance[chosen] = found.step, found.covariance
    steps.middle[chosen] = found.middle
    plan, plan_sd = _sizes(steps.step[:, :2], steps.covariance[:, :2, :2])
    computed = np.isin(np.arange(len(pairs)), chosen)
    return PairSteps(
        pairs,
        common,
        work,
        np.array([len(shared) for shared in marks], dtype=np.int64),
        neighbours_among(adjustment.axis[:, :2], pairs),
        steps.step,
        steps.covariance,
        steps.middle,
        plan,
        plan_sd,
        *_far(adjustment, pairs, steps),
        computed,
    )


def joining(work: IntArray, neighbour: BoolArray) -> BoolArray:
    """Say which pairs (q,) make a joint: they share work marks, and more than one or no third."""
    return np.asarray((work > 0) & (neighbour | (work > 1)))


def joined_setups(adjustment: Adjustment) -> IntArray:
    """Return the pairs of setups (q, 2) that make a joint, without their steps."""
    pairs, _, _, work = neighbours(find_sharing(adjustment))
    return pairs[joining(work, neighbours_among(adjustment.axis[:, :2], pairs))]


def judge_pairs(
    steps: PairSteps,
    limits: Tolerances,
    suspects: Suspects | None = None,
    level: float = LEVEL,
) -> Judgement:
    """Judge every pair at the middle of its marks, and a clear turn at the far end.

    Only pairs with a suspected setup are more than chance, where ``suspects`` are given.
    """
    with np.errstate(invalid="ignore"):
        up = steps.step[:, 2] ** 2 / steps.covariance[:, 2, 2]
        far = steps.far_plan > limits.horizontal
    flat, freedom = _plan_statistic(steps)
    chance = [chance_of(flat, freedom), chance_of(up, np.isfinite(up).astype(np.int64))]
    beyond = holm(np.concatenate(chance), level)
    if suspects is not None:
        beyond &= np.tile(suspects.setup[steps.pair].any(axis=1), 2)
    beyond_plan, beyond_height = beyond[: len(steps)], beyond[len(steps) :]
    plan = state_of(steps.plan, steps.plan_sd, limits.horizontal, beyond_plan)
    plan[far & beyond_plan] = BAD
    height = state_of(steps.step[:, 2], steps.sd[:, 2], limits.elevation, beyond_height)
    return judge(plan, height)


def words_of(steps: PairSteps, judgement: Judgement) -> TextArray:
    """Return the words of each pair, saying why where nothing was tested."""
    words = judgement.words.copy()
    untold = np.isnan(steps.step[:, 2]) & np.isnan(steps.plan)
    words[untold] = "only the shared marks tie them: nothing tests the step"
    words[~steps.computed] = "not computed: more pairs than a run of this size can judge"
    return words


def _sizes(shift: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return sizes (q,) of plan shifts (q, 2) and their sds along themselves."""
    size = np.hypot(shift[:, 0], shift[:, 1])
    unit = shift / np.maximum(size, 1e-12)[:, None]
    return size, np.sqrt(np.einsum("qi,qij,qj->q", unit, covariance, unit))


def _plan_statistic(steps: PairSteps) -> tuple[FloatArray, IntArray]:
    """Return the chi-square of shift and turn together (q,) and its degrees (q,)."""
    statistic = np.full(len(steps), np.nan)
    freedom = np.zeros(len(steps), dtype=np.int64)
    for i, step in enumerate(steps.step):
        parts = PLAN[np.isfinite(step[PLAN])]
        if len(parts):
            inverse = np.linalg.inv(steps.covariance[i][np.ix_(parts, parts)])
            statistic[i] = step[parts] @ inverse @ step[parts]
            freedom[i] = len(parts)
    return statistic, freedom


def _far(
    adjustment: Adjustment, pairs: IntArray, steps: Steps
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the farthest shot (q,) of each pair, the plan step there (m) and its sd."""
    shots = _shots_of_setups(adjustment)
    point = np.full(len(pairs), -1, dtype=np.int64)
    plan, sd = np.full(len(pairs), np.nan), np.full(len(pairs), np.nan)
    for i, (s, t) in enumerate(pairs):
        if np.isnan(steps.step[i, 0]):
            continue
        both = np.concatenate([shots[s], shots[t]])
        arm = adjustment.position[both, :2] - steps.middle[i]
        far = int(np.nanargmax(np.hypot(arm[:, 0], arm[:, 1])))
        point[i] = both[far]
        lever = np.array([[1.0, 0.0, -arm[far, 1]], [0.0, 1.0, arm[far, 0]]])
        parts = PLAN[np.isfinite(steps.step[i, PLAN])]
        lever = lever[:, : len(parts)]
        spread = lever @ steps.covariance[i][np.ix_(parts, parts)] @ lever.T
        size = _sizes((lever @ steps.step[i, parts])[None], spread[None])
        plan[i], sd[i] = size[0][0], size[1][0]
    return point, plan, sd


def _shots_of_setups(adjustment: Adjustment) -> list[IntArray]:
    """Return the points that each setup has sighted, side shots included."""
    inside, aside = adjustment.connections, adjustment.aside.connections
    sight = ~inside.plumb
    setup = np.concatenate([inside.setup[sight], aside.setup])
    point = np.concatenate([inside.point[sight], aside.point])
    order = np.argsort(setup, kind="stable")
    starts = np.searchsorted(setup[order], np.arange(len(adjustment.axis) + 1))
    return [point[order[a:b]] for a, b in pairwise(starts)]
