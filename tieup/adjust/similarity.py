"""Fit one set of coordinates to another: shift, turn and scale in plan, shift in height.

Shows whether a net that was adjusted free fits its control, and whether the difference is a
scale: a distance unit, a projection, a prism constant that grew with the net.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tieup.adjust.linear import LinearFit, fit_linear
from tieup.errors import AdjustmentError
from tieup.model.arrays import BoolArray, FloatArray


@dataclass(frozen=True)
class Similarity:
    """A fitted similarity; coordinates in the order N, E, H.

    ``target = pivot + shift + scale * turn(source - pivot)`` in plan, with the turn (rad)
    clockwise, that is added to azimuths; in height ``target = source + shift``. ``pivot``
    (2,) is the mean of the source points used in plan, so ``shift`` (3,) in metres is how
    far the middle of the net moves; its height is NaN when no heights were common.
    ``residuals`` and ``redundancy`` (n, 3) are of the target coordinates, adjusted minus
    given, NaN where a component took no part. sds are those of the inputs carried through.
    ``weighted_sum_*`` and ``dof_*`` serve the global test of each part.
    """

    scale: float
    turn: float
    shift: FloatArray
    pivot: FloatArray
    sd_scale: float
    sd_turn: float
    sd_shift: FloatArray
    residuals: FloatArray
    redundancy: FloatArray
    weighted_sum_plan: float
    dof_plan: int
    weighted_sum_height: float
    dof_height: int


def fit_similarity(source: FloatArray, target: FloatArray, sd: FloatArray) -> Similarity:
    """Fit ``source`` to ``target`` by weighted least squares.

    Linear in ``a = s cos t``, ``b = s sin t``: N' = N0 + a n - b e, E' = E0 + b n + a e,
    with n, e counted from the pivot.

    Parameters
    ----------
    source, target
        Shape (n, 3), m, order N, E, H; NaN in a component that is not known. A component of
        the target takes part when it and what predicts it in the source are known.
    sd
        Shape (n, 3), m, of the difference target minus source, per component.

    Raises
    ------
    AdjustmentError
        When fewer than two points at different places are common in plan.

    References
    ----------
    Ghilani, Adjustment Computations, two-dimensional conformal coordinate transformation.
    """
    plan_known = np.isfinite(source[:, :2]).all(axis=1)
    used = np.isfinite(target) & np.column_stack(
        [plan_known, plan_known, np.isfinite(source[:, 2])]
    )
    in_plan = used[:, :2].any(axis=1)
    places = len(np.unique(source[in_plan, :2], axis=0))
    if places < 2:
        raise AdjustmentError(
            f"similarity fit: {places} different places among the common marks, at least 2 "
            "are needed for turn and scale; give the coordinates of another mark"
        )
    pivot = source[in_plan, :2].mean(axis=0)
    plan = _fit_plan(source[:, :2] - pivot, target[:, :2] - pivot, sd[:, :2], used[:, :2])
    height = _fit_height(target[:, 2] - source[:, 2], sd[:, 2], used[:, 2])
    return _assemble(plan, height, pivot, used)


def _fit_plan(source: FloatArray, target: FloatArray, sd: FloatArray, used: BoolArray) -> LinearFit:
    north, east = source.T
    one, zero = np.ones_like(north), np.zeros_like(north)
    design = np.stack(
        [
            np.column_stack([one, zero, north, -east]),
            np.column_stack([zero, one, east, north]),
        ],
        axis=1,
    )
    return fit_linear(design[used], target[used], sd[used])


def _fit_height(rise: FloatArray, sd: FloatArray, used: BoolArray) -> LinearFit | None:
    if not used.any():
        return None
    design = np.ones((np.count_nonzero(used), 1))
    return fit_linear(design, rise[used], sd[used])


def _assemble(
    plan: LinearFit, height: LinearFit | None, pivot: FloatArray, used: BoolArray
) -> Similarity:
    a, b = plan.parameters[2:]
    scale = math.hypot(a, b)
    # Rows: how scale and turn change with a and b.
    polar = np.array([[a, b], [-b / scale, a / scale]]) / scale
    sd_scale, sd_turn = np.sqrt(np.diag(polar @ plan.cofactor[2:, 2:] @ polar.T))
    shift, sd_shift = np.full(3, np.nan), np.full(3, np.nan)
    shift[:2], sd_shift[:2] = plan.parameters[:2], np.sqrt(np.diag(plan.cofactor)[:2])
    residuals, redundancy = np.full(used.shape, np.nan), np.full(used.shape, np.nan)
    residuals[:, :2][used[:, :2]] = plan.residuals
    redundancy[:, :2][used[:, :2]] = plan.redundancy
    if height is not None:
        shift[2], sd_shift[2] = height.parameters[0], math.sqrt(height.cofactor[0, 0])
        residuals[used[:, 2], 2] = height.residuals
        redundancy[used[:, 2], 2] = height.redundancy
    return Similarity(
        scale=scale,
        turn=math.atan2(b, a),
        shift=shift,
        pivot=pivot,
        sd_scale=float(sd_scale),
        sd_turn=float(sd_turn),
        sd_shift=sd_shift,
        residuals=residuals,
        redundancy=redundancy,
        weighted_sum_plan=plan.weighted_sum,
        dof_plan=plan.dof,
        weighted_sum_height=height.weighted_sum if height is not None else 0.0,
        dof_height=height.dof if height is not None else 0,
    )
