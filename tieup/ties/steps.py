"""Setup by setup: does all that one setup shot lie higher, lower or aside of where it stands?

A setup over a mark claims a height and a place. When all its sights put their targets 5 mm
high against that claim (an instrument height misread, a pole height wrong all setup long,
the wrong part of the mark), the whole setup is a step against its neighbours.

A free station claims nothing: an error common to all its heights goes into its own height,
its shots come out right, and nothing could show it. That is said, not hidden.

The step of the sights is the plumb line's tie with the sign turned: the shift of the place
it claims, against all it sees. When one setup is named, the others are judged again with
that setup set free, so that it does not make them look wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.hypothesis import gram, place_shift, project, score
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.ties.family import chance_of, holm
from tieup.ties.suspects import Suspects

# Of the 1 % of clean jobs in which a setup may be named for nothing, height gets most: it is
# what pays. A setup is called off for sure where a tenth of these chances names it.
HEIGHT_LEVEL = 0.009
PLAN_LEVEL = 0.001
SURE = 0.1
TESTABLE = 1e-3  # smallest share of a step that must stay visible in the residuals


@dataclass(frozen=True)
class SetupSteps:
    """Steps of all S setups: how far their sights put everything off, N, E, H in m.

    ``step`` (S, 3) and ``covariance`` (S, 3, 3), NaN where nothing tests it (``free`` (S,): a
    free station). ``named`` (n,) are the setups that look off, the clearest first; ``in_height``,
    ``in_plan`` (S,) say how, ``sure`` (S,) whether a tenth of the chance of a false name names it.
    """

    step: FloatArray
    covariance: FloatArray
    free: BoolArray
    named: IntArray
    in_height: BoolArray
    in_plan: BoolArray
    sure: BoolArray

    @property
    def sd(self) -> FloatArray:
        """Return the standard deviations (S, 3) in m."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


def setup_steps(adjustment: Adjustment, suspects: Suspects | None = None) -> SetupSteps:
    """Estimate the step of every setup over a mark and name those that are off.

    Only suspected setups are, where ``suspects`` are given.
    """
    connections = adjustment.connections
    rows = np.flatnonzero(connections.plumb)
    count = len(adjustment.axis)
    place = adjustment.rows.by_place[rows]
    residual = adjustment.whitened[rows]
    across = place.transpose(0, 2, 1)
    left = across @ place - across @ adjustment.leverage[rows] @ place
    push = (across @ residual[:, :, None])[:, :, 0]  # turned: of the sights, not of the place
    seen = across @ place
    first = _estimate(seen, left, push)
    named: list[int] = []
    found = np.zeros((3, len(rows)), dtype=bool)  # in height, in plan, for sure
    last = first
    while len(named) < len(rows):
        *how, clearest = _beyond(*last, np.array(named, dtype=np.int64))
        if clearest < 0:
            break
        if suspects is not None and not suspects.setup[connections.setup[rows[clearest]]]:
            break
        found[:, clearest] = [part[clearest] for part in how]
        named.append(clearest)
        last = _estimate(seen, *_with_free(adjustment, rows, named, left, push))
    setup = connections.setup[rows]
    step, covariance = np.full((count, 3), np.nan), np.full((count, 3, 3), np.nan)
    step[setup], covariance[setup] = first
    free = np.asarray(adjustment.problem.network.station < 0)
    flags = np.zeros((3, count), dtype=bool)
    flags[:, setup] = found
    chosen = setup[np.array(named, dtype=np.int64)]
    return SetupSteps(step, covariance, free, chosen, *flags)


def _estimate(
    seen: FloatArray, left: FloatArray, push: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return steps (k, 3) and covariances (k, 3, 3), NaN in what does not show."""
    step, covariance = np.full(push.shape, np.nan), np.full(left.shape, np.nan)
    for parts in (np.arange(3), np.arange(2), np.array([2])):
        square = np.ix_(np.arange(len(push)), parts, parts)
        scale = np.sqrt(np.diagonal(seen[square], axis1=1, axis2=2))
        measured = (scale > 0).all(axis=1) & np.isnan(step[:, parts]).all(axis=1)
        share = np.zeros(len(push))
        kept = left[square][measured] / (scale[measured][:, :, None] * scale[measured][:, None, :])
        share[measured] = np.linalg.eigvalsh(kept)[:, 0]
        rows = np.flatnonzero(share > TESTABLE)
        inverse = np.linalg.inv(left[square][rows])
        step[np.ix_(rows, parts)] = (inverse @ push[np.ix_(rows, parts)][:, :, None])[:, :, 0]
        covariance[np.ix_(rows, parts, parts)] = inverse
    return step, covariance


def _beyond(
    step: FloatArray, covariance: FloatArray, named: IntArray
) -> tuple[BoolArray, BoolArray, BoolArray, int]:
    """Say which steps (k,) are beyond chance in height, in plan, surely; the clearest or -1."""
    with np.errstate(invalid="ignore"):
        up = step[:, 2] ** 2 / covariance[:, 2, 2]
    flat = np.full(len(step), np.nan)
    rows = np.flatnonzero(np.isfinite(step[:, 0]))
    inverse = np.linalg.inv(covariance[rows, :2, :2])
    flat[rows] = np.einsum("ki,kij,kj->k", step[rows, :2], inverse, step[rows, :2])
    one, two = np.ones(len(step), dtype=np.int64), np.full(len(step), 2)
    chance_up, chance_flat = chance_of(up, one), chance_of(flat, two)
    chance_up[named] = chance_flat[named] = np.nan
    high, wide = holm(chance_up, HEIGHT_LEVEL), holm(chance_flat, PLAN_LEVEL)
    sure = holm(chance_up, SURE * HEIGHT_LEVEL) | holm(chance_flat, SURE * PLAN_LEVEL)
    if not (high.any() or wide.any()):
        return high, wide, sure, -1
    least = np.fmin(np.where(high, chance_up, 1.0), np.where(wide, chance_flat, 1.0))
    return high, wide, sure, int(np.argmin(least))


def _with_free(
    adjustment: Adjustment, rows: IntArray, named: list[int], left: FloatArray, push: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return left and push (k, ...) of all steps with those of the ``named`` set free."""
    bias = place_shift(adjustment, [rows[i : i + 1] for i in named])
    remaining = project(adjustment, bias)
    inverse = np.linalg.pinv(gram(bias, remaining), rcond=TESTABLE, hermitian=True)
    place = adjustment.rows.by_place[rows]
    cross = place.transpose(0, 2, 1) @ remaining.connections[rows]
    pushed = -score(adjustment, bias)
    return (
        left - cross @ inverse @ cross.transpose(0, 2, 1),
        push - cross @ (inverse @ pushed),
    )
