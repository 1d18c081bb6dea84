"""The joint covariance of chosen setups and marks, as one matrix in the frame of the solution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.cofactors import covariance, unknown_functions
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class FullCovariance:
    """``matrix`` (N, N) of ``setups`` (s,) and ``marks`` (m,); N = 4 s + 3 m.

    Four unknowns of each setup (axis N, E, H in m, orientation in rad), then three of each mark.
    """

    matrix: FloatArray
    setups: IntArray
    marks: IntArray

    def columns(self, setup: int, mark: int) -> IntArray:
        """Return the seven columns of a setup and a mark (their numbers in the network)."""
        first = 4 * int(np.flatnonzero(self.setups == setup)[0])
        second = 4 * len(self.setups) + 3 * int(np.flatnonzero(self.marks == mark)[0])
        return np.concatenate([np.arange(first, first + 4), np.arange(second, second + 3)])


def full_covariance(adjustment: Adjustment, setups: IntArray, marks: IntArray) -> FullCovariance:
    """Return the joint covariance of solved ``setups`` (s,) and ``marks`` (m,), all different."""
    matrix = covariance(adjustment, unknown_functions(adjustment, setups, marks))
    return FullCovariance(matrix, setups, marks)
