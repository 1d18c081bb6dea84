"""Points that nothing checks: polar points of their setup, with full covariance.

Their three equations determine them exactly, so x_point follows from the setup's
unknowns and the sight: dx = T ds + J dl, with T = -B^-1 A, J = B^-1 (A, B the
derivatives by setup and mark).
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.equations import Connections, linearise
from tieup.adjust.iterate import State
from tieup.adjust.solution import Aside
from tieup.model.arrays import BoolArray, FloatArray

MOST_ITERATIONS = 8
SETTLED = 1e-9  # m


def compute_aside(
    connections: Connections,
    sd: FloatArray,
    state: State,
    held_point: BoolArray,
    bend: float,
) -> tuple[Aside, FloatArray]:
    """Return the aside sights and the positions (a, 3) of their points.

    ``state`` holds adjusted setups and approximate points; ``held_point`` (P, 3) marks
    components that are not determined (a height without zenith angles).
    """
    free = ~held_point[connections.point]
    observed = np.isfinite(connections.value)
    position = state.position.copy()
    for _ in range(MOST_ITERATIONS):
        linear = linearise(connections, state.axis, state.orientation, position, bend)
        inverse = _inverse(linear.by_mark, observed, free)
        misclosure = np.where(observed, np.nan_to_num(linear.misclosure), 0.0)
        step = (inverse @ misclosure[:, :, None])[:, :, 0]
        position[connections.point] += step
        if np.abs(step).max(initial=0.0) < SETTLED:
            break
    by_setup = np.zeros((len(connections), 3, 4))
    by_setup[:, :, :3] = inverse @ np.where(observed[:, :, None], linear.by_mark, 0.0)
    by_setup[:, :, 3] = inverse[:, :, 0] * linear.turns[:, None]
    noise = inverse * np.where(observed, sd, 0.0)[:, None, :]
    own = noise @ noise.transpose(0, 2, 1)
    return Aside(connections, sd, by_setup, own), position[connections.point]


def _inverse(by_mark: FloatArray, observed: BoolArray, free: BoolArray) -> FloatArray:
    """Invert the derivative by the mark on its free components and observed rows.

    A held component takes the row that is not observed: there are as many of one as
    of the other in an aside sight.
    """
    matrix = np.where(observed[:, :, None], by_mark, 0.0) * free[:, None, :]
    partial = ~(observed.all(axis=1) & free.all(axis=1))
    if partial.any():
        for row in np.flatnonzero(partial):
            idle, stuck = np.flatnonzero(~observed[row]), np.flatnonzero(~free[row])
            matrix[row, idle, stuck] = 1.0
    inverse = np.linalg.inv(matrix)
    return inverse * free[:, :, None] * observed[:, None, :]
