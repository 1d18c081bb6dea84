"""Which marks the control of a solution speaks of."""

from __future__ import annotations

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray


def known_to_control(adjustment: Adjustment) -> BoolArray:
    """Return the mask (P,) of marks with a coordinate that this solution is held to."""
    return np.asarray(np.isfinite(adjustment.problem.frame.control).any(axis=1))
