"""Gear stated too good: the data's own scatter comes first, then what stands out of it.

With sds stated at a quarter of what the gear does, every fourth reading looks like a mistake.
Where half of all readings scatter more than stated, no single mistake is the cause. The search
is then made with sds that fit the scatter; the solution and all that is reported keep the
stated ones.

Reference: Hampel (1974), the median absolute deviation: 0.6745 of the sd of a normal
variable, itself known to 1.17 / sqrt(n) of it; a root mean square is known to 0.71 / sqrt(n).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.diagnose.solve import Solved, solve
from tieup.model.arrays import FloatArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.model.settings import Precision

ENOUGH = 80.0  # redundancy from which a few mistakes do not reach the middle of all residuals
LEAST = 20.0  # redundancy from which the middle of all residuals says something
FEW = 3  # mistakes that a small job may have
OF_A_KIND = 20.0  # redundancy from which one kind is judged by itself
NORMAL, SPREAD, RMS_SPREAD = 0.6745, 1.17, 0.71
PLAIN = 3.0  # sds by which a scatter must exceed the stated one
NOISY = 1.2  # scatter in units of the stated sds below which the search copes by itself
CAUTION = 1.25  # sds estimated from the same readings are not known so well that all of it counts
AS_STATED: FloatArray = np.ones(3)
SETTLED = 0.2  # share by which two scatters in a row may differ


def own_scatter(solved: Solved, least: float = ENOUGH) -> FloatArray | None:
    """Return how many times more than stated directions, zenith angles and distances scatter (3,).

    From the middle of all residuals, whatever a few mistakes do to the others. None where they
    fit as stated, or where the redundancy is below ``least``.
    """
    adjustment = solved.adjustment
    w, r = _readings(adjustment)
    known = np.isfinite(w)
    redundancy = float(r[known].sum())
    if redundancy < least or not _plain(_robust(w[known], r[known]), SPREAD, redundancy):
        return None
    return np.asarray(np.maximum(_by_kind(adjustment, _robust), 1.0))


def left_over(before: Solved, after: Solved, mistakes: int) -> FloatArray | None:
    """Return the scatter (3,) that mistakes do not explain, None where they do.

    ``before`` and ``after`` are the solutions with and without the ``mistakes``. More than a few
    in a small job whose readings scatter as a whole are no mistakes.
    """
    rest = refined(AS_STATED, after)
    return own_scatter(before, LEAST) if rest is None and mistakes > FEW else rest


def _plain(scatter: float, spread: float, redundancy: float) -> bool:
    """Say whether a scatter known to ``spread`` / sqrt(redundancy) is larger than stated."""
    return bool(scatter > max(NOISY, 1.0 + PLAIN * spread / max(redundancy, 1.0) ** 0.5))


def with_scatter(solved: Solved, stated: Precision, scatter: FloatArray) -> Solved:
    """Return the solution with the ``stated`` sds times the scatter (3,) of each kind, and more."""
    factors = np.where(scatter > 1.0, CAUTION * scatter, 1.0)
    return solve(replace(solved.case, precision=scaled(stated, factors)))


def refined(scatter: FloatArray, solved: Solved) -> FloatArray | None:
    """Return the scatter (3,) that a solution without mistakes shows, made with ``scatter``.

    None where the rest fits as stated: what was off were the mistakes, not the gear.
    """
    made_with = np.where(scatter > 1.0, CAUTION * scatter, 1.0)
    better = made_with * _by_kind(solved.adjustment, _root_mean_square)
    redundancy = float(np.nansum(_readings(solved.adjustment)[1]))
    if not _plain(float(better.max()), RMS_SPREAD, redundancy / 3.0):
        return None
    return np.asarray(np.maximum(better, 1.0))


def settled(scatter: FloatArray, better: FloatArray) -> bool:
    """Say whether another round would change nothing of note."""
    return bool((np.abs(better / scatter - 1.0) < SETTLED).all())


def scaled(precision: Precision, factors: FloatArray) -> Precision:
    """Return a precision with the sds of directions, zenith angles and distances times factors.

    Centring enters directions and distances: it grows with the lesser of the two.
    """
    plan = float(min(factors[DIRECTION], factors[DISTANCE]))
    rise, length = float(factors[ZENITH]), float(factors[DISTANCE])
    instruments = {
        name: replace(
            one,
            direction=one.direction * float(factors[DIRECTION]),
            zenith=one.zenith * rise,
            distance_constant=one.distance_constant * length,
            distance_ppm=one.distance_ppm * length,
        )
        for name, one in precision.instruments.items()
    }
    return replace(
        precision,
        instruments=instruments,
        centring_instrument=precision.centring_instrument * plan,
        centring_target=precision.centring_target * plan,
        height_instrument=precision.height_instrument * rise,
        height_target=precision.height_target * rise,
    )


def _by_kind(
    adjustment: Adjustment, scatter_of: Callable[[FloatArray, FloatArray], float]
) -> FloatArray:
    """Return the scatter (3,) of each kind, that of all where a kind is hardly checked."""
    w, r = _readings(adjustment)
    known = np.isfinite(w)
    found = np.full(3, scatter_of(w[known], r[known]))
    for kind in (DIRECTION, ZENITH, DISTANCE):
        own = known[:, kind]
        if r[own, kind].sum() >= OF_A_KIND:
            found[kind] = scatter_of(w[own, kind], r[own, kind])
    return found


def _readings(adjustment: Adjustment) -> tuple[FloatArray, FloatArray]:
    """Return |w| (k, 3) and redundancy (k, 3) of the sights, NaN where nothing tests one."""
    sights = ~adjustment.connections.plumb
    return np.abs(adjustment.standardised[sights]), np.nan_to_num(adjustment.redundancy[sights])


def _robust(w: FloatArray, redundancy: FloatArray) -> float:
    """Return the scatter of |w| from its median, 1 where there are none."""
    return float(np.median(w)) / NORMAL if len(w) else 1.0


def _root_mean_square(w: FloatArray, redundancy: FloatArray) -> float:
    """Return the scatter of |w| as v'Pv over redundancy, 1 where there are none."""
    total = float(redundancy.sum())
    return float(np.sqrt((w**2 * redundancy).sum() / total)) if total > 0.0 else 1.0
