"""The pole height that was meant: a length booked elsewhere, or a round one, where readings fit it.

Readings tell a pole height to a millimetre or two, but a pole is set to a length that a crew
works with. Where such a length fits, it is proposed in place of the fitted one, and the finding
says so; a person decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.kinds.convention_catalogue import FOOT
from tieup.model.arrays import FloatArray, IntArray

FITS = 3.0  # sds within which the readings fit a length
# Lengths that poles are set to, and what the readings must tell apart: an sd of more would find
# one near any height. Common practice, no source.
ROUND_METRIC, ROUND_FEET = 0.1, 0.5 * FOOT  # m
SHARP = 1.0 / 12.0  # of the step between round lengths, at most, for 3 sds to mean something


def right_length(case: Case, mistake: Mistake, rows: IntArray) -> tuple[float, str] | None:
    """Return the length (m) that was meant and where it is from, None where none fits.

    ``rows`` are all that share the wrong height.
    """
    heights = np.unique(case.shots.target_height[rows])
    if len(mistake.size) != 1 or len(heights) != 1 or not np.isfinite(heights[0]):
        return None
    fitted, near = float(heights[0] - mistake.size[0]), FITS * mistake.sd
    doubted = [rows, *(r.cause.rows for r in mistake.rivals if r.cause and not r.separable)]
    for words, lengths in _lengths(
        case, mistake.setup, np.concatenate(doubted), fitted, mistake.sd
    ):
        away = np.abs(np.asarray(lengths) - fitted)
        fits = (away <= near) & (np.asarray(lengths) != heights[0])
        if fits.any():
            best = int(np.argmin(np.where(fits, away, np.inf)))
            return float(lengths[best]), words
    return None


def _lengths(
    case: Case, setup: str, rows: IntArray, fitted: float, sd: float
) -> Iterator[tuple[str, Sequence[float] | FloatArray]]:
    """Yield lengths (m) that may have been meant with where they are from, the likeliest first.

    ``rows`` are those whose height is in doubt: they are no witness of what a crew works with.
    """
    shots = case.shots
    others = np.isfinite(shots.target_height) & ~shots.repeated
    others[rows] = False
    own = np.array([s.label == setup for s in case.setups])[shots.setup]
    yield f"as booked elsewhere in {setup}", np.unique(shots.target_height[others & own])
    yield "as booked elsewhere in the job", np.unique(shots.target_height[others])
    step = ROUND_METRIC if case.rod_unit == 1.0 else ROUND_FEET
    if sd <= SHARP * step:
        yield "a round length", (round(fitted / step) * step,)
