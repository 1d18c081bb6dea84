"""A gross pole height is no small one: it changes the zenith angle and the distance together.

The tests of single sights are linear: a height of 3 m at 20 m looks like another target to
them. Here the height that the zenith angle asks for is tried as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.predict import misfit
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.kinds.readings import ZENITH_READING
from tieup.diagnose.kinds.target_height import TARGET_HEIGHT, height_errors
from tieup.model.arrays import FloatArray
from tieup.model.observations import DISTANCE, ZENITH, Sights

Explain = Callable[[FloatArray], list[Mistake]]


def with_exact_pole(
    calm: Solved,
    seen: Sights,
    sight: int,
    off: FloatArray,
    poles: Sequence[Hypothesis],
    explain: Explain,
) -> list[Mistake]:
    """Explain one sight by its pole height alone, where that leaves nothing over.

    Parameters
    ----------
    calm
        The solution without the sight.
    seen, off
        Its sights as observed, and what they are off (k, 3): rad, rad, m.
    poles
        The hypotheses that the pole height of the sight was booked wrong, one or none.
    explain
        What finds the mistakes behind such misfits.

    Returns
    -------
    The mistakes that ``explain`` finds, or the pole height in their stead. A height that changes
    the distance by more than its sd contaminates the distance too.
    """
    found = explain(off)
    error = height_errors(calm, seen)
    if not found or not poles or not np.isfinite(error[sight]):
        return found
    right = replace(seen, target_height=seen.target_height - np.nan_to_num(error))
    left = np.where(off == 0.0, 0.0, misfit(right, calm.adjustment, calm.case.refraction))
    kinds: tuple[int, ...] = (ZENITH,)
    if abs(off[sight, DISTANCE] - left[sight, DISTANCE]) > seen.pointing_sd[sight, DISTANCE]:
        kinds = (ZENITH, DISTANCE)
    if [mistake.kind for mistake in found] == [TARGET_HEIGHT.name]:
        return [replace(found[0], kinds=kinds)]
    if {mistake.kind for mistake in found} <= {ZENITH_READING.name} or explain(left):
        return found
    return [_pole_height(poles[0], float(error[sight]), kinds, found)]


def _pole_height(
    pole: Hypothesis, error: float, kinds: tuple[int, ...], others: list[Mistake]
) -> Mistake:
    """Return the mistake of a pole booked ``error`` (m) too high; the others do not fit as well."""
    rivals = tuple(
        RivalCause(other.kind, other.setup, other.points, other.statistic, separable=True)
        for other in others
    )
    return replace(Mistake.of(pole), kinds=kinds, size=np.array([error]), rivals=rivals)
