"""How large a test statistic must be before it is no chance: one level for all tests of a job.

Each of M hypotheses is held against 0.01 / M, with the scatter estimated without it and for how
well that is known: T / q against F with q and df degrees. The bound takes no account of how the
tests of a job hang together; the reserve carries a prior that does not fit.

References: Bonferroni; Fisher's F; Satterthwaite (1946) for df.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tieup.adjust.distributions import chi_square_critical, f_critical
from tieup.model.arrays import FloatArray, IntArray

FALSE_ALARM = 0.01  # chance that a clean job has anything noticed

Freedom = Callable[[IntArray], FloatArray]
"""Degrees (n,) to which the variances of the hypotheses with given numbers (n,) are known."""


class Thresholds:
    """What each hypothesis (h,) must reach; exact only where a statistic comes near.

    The value for sds known beforehand is a lower bound and costs nothing.
    """

    def __init__(self, degrees: FloatArray, family: int, freedom: Freedom | None = None) -> None:
        self.degrees = degrees
        self.each = FALSE_ALARM / max(family, 1)
        self.values: FloatArray = chi_square_critical(self.each, degrees)
        self._exact = np.full(len(degrees), freedom is None)
        self._freedom = freedom

    def against(self, statistic: FloatArray) -> FloatArray:
        """Return the thresholds (h,), exact for every ``statistic`` (h,) that comes near."""
        with np.errstate(invalid="ignore"):
            near = np.flatnonzero((statistic > self.values) & ~self._exact)
        if len(near) and self._freedom is not None:
            degrees = self.degrees[near]
            self.values[near] = degrees * f_critical(self.each, degrees, self._freedom(near))
            self._exact[near] = True
        return self.values
