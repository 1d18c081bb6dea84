"""The control's own test: does the control list agree with what was observed between its marks?

Two fits side by side: the minimally constrained one tests the observations, the one held to
control tests the control as well, and the growth of the weighted sum of squares between them
is the control's share. Then each mark's listed coordinates are let go in turn: by how much,
and how clearly, does the survey want them elsewhere? And the whole list: does it fit with a
scale of one?

All of it comes from the factor of the held fit with the full covariance. The similarity fit
of the free net onto the list is there to be read: shift, turn, scale with sds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import GlobalTest, chi_square_log_tail, global_test
from tieup.adjust.estimable import stacked
from tieup.adjust.hypothesis import Bias, informations, place_shift
from tieup.adjust.similarity import Similarity, fit_similarity
from tieup.adjust.solution import Adjustment
from tieup.errors import AdjustmentError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DISTANCE
from tieup.threads import one_thread
from tieup.ties.known import known_to_control
from tieup.ties.multiple_testing import chance_of, holm
from tieup.ties.shifts import solve_shifts
from tieup.ties.suspects import Suspects

LEVEL = 0.01  # chance that clean control has any mark called out
NO_SCALE = 1e-6  # of one factor on all distances orientations and places take up nearly all
NEAR = 11.0  # chi-square by which a scale must explain more than a mark to be told from it
AS_CLEAR = 0.9  # of the largest statistic: a mark this near to it cannot be told from it


@dataclass(frozen=True)
class ControlTest:
    """What the two fits say; arrays over k control marks ``point`` (k,).

    ``minimal``, ``held``: global tests; ``control`` the test of their difference alone.
    ``difference`` (k, 3): where the survey, without that mark's coordinates, puts it minus the
    list (N, E, H in m), ``covariance`` (k, 3, 3); NaN where nothing tests it.
    ``statistic`` (k, 2): chi-square in plan and in height with ``freedom`` (k, 2) degrees.
    ``out_plan``, ``out_height`` (k,): marks that are out, of several that cannot be told apart
    all. ``told`` (2,): whether the mark that is out in plan, in height can be told from the others.
    ``scale``, ``scale_sd``: the survey's distances over those of the list, minus 1; NaN where
    the control holds no distance. ``by_scale``: a scale explains the misfit in plan better than
    any mark does, and no mark is called out in plan. ``near_scale`` (k,): marks that, wrong, would
    explain it about as well as the scale. ``similarity``: None where fewer than two
    marks are common.
    """

    point: IntArray
    minimal: GlobalTest
    held: GlobalTest
    control: GlobalTest
    difference: FloatArray
    covariance: FloatArray
    statistic: FloatArray
    freedom: IntArray
    out_plan: BoolArray
    out_height: BoolArray
    told: tuple[bool, bool]
    scale: float
    scale_sd: float
    by_scale: bool
    near_scale: BoolArray
    similarity: Similarity | None

    @property
    def sd(self) -> FloatArray:
        """Return the standard deviations (k, 3) in m."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


def control_test(
    held: Adjustment,
    minimal: Adjustment,
    suspects: Suspects | None = None,
    alpha: float = 0.05,
) -> ControlTest:
    """Test the control list.

    Parameters
    ----------
    held, minimal
        The same network held to control and minimally constrained.
    suspects
        Where given, only these marks are called out.
    alpha
        Size of the global tests.
    """
    known = known_to_control(held) & held.problem.solved_point
    touched = np.zeros(len(known), dtype=bool)
    touched[held.connections.point] = True
    point = np.flatnonzero(known & touched)
    with one_thread():
        difference, covariance, statistic, freedom = _let_go(held, point)
        scale, scale_sd = _scale(held)
    out, told = _which(statistic, freedom)
    by_scale = _scale_explains(scale, scale_sd, statistic[:, 0], freedom[:, 0])
    out[:, 0] &= not by_scale
    if suspects is not None:
        out &= suspects.point[point][:, None]
    grown = held.weighted_sum - minimal.weighted_sum
    return ControlTest(
        point,
        global_test(minimal.weighted_sum, minimal.dof, alpha),
        global_test(held.weighted_sum, held.dof, alpha),
        global_test(max(grown, 0.0), held.dof - minimal.dof, alpha),
        difference,
        covariance,
        statistic,
        freedom,
        out[:, 0],
        out[:, 1],
        told,
        scale,
        scale_sd,
        by_scale,
        (scale / scale_sd) ** 2 - np.nan_to_num(statistic[:, 0]) <= NEAR,
        _similarity(minimal, held, point),
    )


def _let_go(
    held: Adjustment, point: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Let each mark's coordinates go in turn: shift (k, 3), covariance, statistics, degrees.

    With two marks in all, only their distance is tested: letting one go lets the net turn about
    the other. Then the statistic has one degree, along the line that is tested.
    """
    order = np.argsort(held.connections.point, kind="stable")
    starts = np.searchsorted(held.connections.point[order], [point, point + 1])
    members = [order[a:b] for a, b in starts.T]
    known = informations(held, [place_shift(held, rows) for rows in members])
    found = solve_shifts(stacked(known, 3), np.isfinite(held.problem.frame.control[point]))
    statistic = np.column_stack([found.plan_statistic, found.height_statistic])
    freedom = np.column_stack([found.plan_freedom, np.isfinite(found.difference[:, 2])])
    return found.difference, found.covariance, statistic, freedom.astype(np.int64)


def _which(statistic: FloatArray, freedom: IntArray) -> tuple[BoolArray, tuple[bool, bool]]:
    """Say which marks are out in plan and in height (k, 2), and whether they can be told.

    The clearest mark is out; marks whose statistics come within 10 % of it fit as well.
    """
    k = len(statistic)
    chance = np.array([chance_of(statistic[:, j], freedom[:, j]) for j in (0, 1)])
    beyond = holm(chance.ravel(), LEVEL).reshape(2, k).T
    out, told = np.zeros((k, 2), dtype=bool), [True, True]
    for j in (0, 1):
        if beyond[:, j].any():
            largest = np.nanmax(statistic[:, j])
            out[:, j] = np.nan_to_num(statistic[:, j]) >= AS_CLEAR * largest
            told[j] = bool(out[:, j].sum() == 1)
    return out, (told[0], told[1])


def _scale(held: Adjustment) -> tuple[float, float]:
    """Return the scale of the survey's distances over the control's, minus 1, and its sd.

    As an alternative on the held fit: every distance is too long by one factor.
    """
    connections = held.connections
    sights = np.flatnonzero(~connections.plumb & np.isfinite(connections.value[:, DISTANCE]))
    values = np.zeros((len(sights), 3, 1))
    length = connections.value[sights, DISTANCE]
    values[:, DISTANCE, 0] = length * held.noise.scale[sights, DISTANCE]
    (known,) = informations(held, [Bias(sights, values)])
    left = float(known.left[0, 0])
    if left <= NO_SCALE * known.seen[0, 0]:
        return float("nan"), float("nan")
    return float(known.push[0] / left), float(left**-0.5)


def _scale_explains(scale: float, sd: float, plan: FloatArray, freedom: IntArray) -> bool:
    """Say whether a scale is beyond chance and explains clearly more than any mark let go."""
    if not np.isfinite(scale) or not freedom.any():
        return False
    own = float(chi_square_log_tail((scale / sd) ** 2, 1))
    tested = freedom > 0
    marks = float(chi_square_log_tail(plan[tested], freedom[tested]).min())
    return own < np.log(LEVEL) and own < marks / AS_CLEAR


def _similarity(minimal: Adjustment, held: Adjustment, point: IntArray) -> Similarity | None:
    """Fit the free net onto the control list; weights from both."""
    control = held.problem.frame.control[point]
    own = np.maximum(
        np.diagonal(minimal.point_covariance[point], axis1=1, axis2=2), 0.0
    )  # rounding
    sd = np.sqrt(own + np.nan_to_num(held.problem.frame.control_sd[point]) ** 2)
    sd = np.where(np.isfinite(control), np.maximum(np.nan_to_num(sd, nan=1.0), 1e-6), np.nan)
    try:
        return fit_similarity(minimal.position[point], control, sd)
    except AdjustmentError:
        return None
