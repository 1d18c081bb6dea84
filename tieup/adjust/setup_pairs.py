"""How the poses of two setups hang together: their cross-covariance.

Setups that both see a mark that was eliminated have it in the selected inverse already. Others,
joined by a mark that was kept or by nothing, are asked of the factor.
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.cofactors import group_covariances, unknown_functions
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray


def cross_covariance(adjustment: Adjustment, pairs: IntArray) -> FloatArray:
    """Return the covariance (q, 4, 4) of N, E, H (m) and turn (rad) of setups ``pairs`` (q, 2).

    Rows are those of the first setup, columns those of the second; in the frame of the solution.
    """
    cross = adjustment.between.of(pairs)
    asked = np.flatnonzero(np.isnan(cross[:, 0, 0]))
    if len(asked):
        cross[asked] = _solved(adjustment, pairs[asked])
    transfer = adjustment.transfer
    if transfer.motions.count:
        first, second = pairs.T
        moved = transfer.motions.setup[first] @ transfer.setup[second].transpose(0, 2, 1)
        moved += transfer.setup[first] @ transfer.motions.setup[second].transpose(0, 2, 1)
        cross = cross - moved
    return np.asarray(cross)


def _solved(adjustment: Adjustment, pairs: IntArray) -> FloatArray:
    """Return the cross-covariances of pairs (q, 2) from the factor, in its own datum."""
    functions = unknown_functions(adjustment, pairs.ravel(), np.zeros(0, dtype=np.int64))
    edges = np.arange(0, 8 * len(pairs) + 1, 8)
    return np.array([joint[:4, 4:] for joint in group_covariances(adjustment, functions, edges)])
