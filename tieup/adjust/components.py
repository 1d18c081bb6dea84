"""Variance components: do the stated sds of each kind of observation fit the residuals?

Takes, per group of observations, the weighted sum of squared residuals and what a sound
group would have contributed; gives the factor by which the group's variances should be
multiplied. Works on sums per group, so any solver of any size can feed it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray, IntArray

Solver = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Variance factors (g,) to v'Pv and redundancy per group after adjusting with them."""

MOST_ROUNDS = 30
SETTLED = 1e-4  # relative change of a factor; its own sd is sqrt(2 / r) of it
# A group without any residual would get sds of zero, which no solver can use.
SMALLEST_FACTOR = 1e-6
# A group with less redundancy than this does not show its own variance: its factor stays 1.
LEAST_GROUP_REDUNDANCY = 1.0


@dataclass(frozen=True)
class VarianceComponents:
    """Estimated variance factors of g groups.

    ``factors`` (g,) multiply the stated variances (1 = the stated sds fit), NaN where the
    group has too little redundancy to tell. ``sd`` (g,) is ``f sqrt(2 / r)``, which leaves
    out what the groups share. ``redundancy`` (g,) at the end. ``converged`` is False when
    the factors still moved after the last round: too few observations to tell them apart.
    """

    factors: FloatArray
    sd: FloatArray
    redundancy: FloatArray
    rounds: int
    converged: bool


def group_sums(
    residuals: FloatArray, sd: FloatArray, redundancy: FloatArray, group: IntArray, groups: int
) -> tuple[FloatArray, FloatArray]:
    """Return v'Pv and redundancy of each group, shape (groups,), from (m,) columns."""
    weighted = np.bincount(group, weights=(residuals / sd) ** 2, minlength=groups)
    shares = np.bincount(group, weights=redundancy, minlength=groups)
    return weighted.astype(np.float64), shares.astype(np.float64)


def component_step(weighted_sums: FloatArray, traces: FloatArray) -> FloatArray:
    """Return the variance factors of one round.

    Solves ``S f = q`` with q = v'Pv per group, shape (g,). ``traces`` is S, shape (g, g),
    ``S_ij = sum of R_kl R_lk`` over k in i, l in j with R the redundancy matrix; its row
    sums are the redundancies of the groups. Where only these are known (the large solver
    forms no full R) give them, shape (g,): Förstner's simplified form ``f = q / r``, which
    never turns negative and converges to the same values.

    References
    ----------
    Koch, Parameter Estimation and Hypothesis Testing in Linear Models (1999), p. 235;
    Förstner, Ein Verfahren zur Schätzung von Varianz- und Kovarianzkomponenten (1979).
    """
    if traces.ndim == 1:
        return weighted_sums / traces
    return np.asarray(np.linalg.solve(traces, weighted_sums), dtype=np.float64)


def estimate_components(solver: Solver, groups: int) -> VarianceComponents:
    """Adjust and rescale in turn until the variance factors settle (simplified form).

    Parameters
    ----------
    solver
        Adjusts with the stated variances times the given factors (groups,) and returns
        v'Pv and redundancy of each group under these weights (`group_sums`).
    """
    factors = np.ones(groups)
    redundancy = np.zeros(groups)
    converged, rounds = False, 0
    while not converged and rounds < MOST_ROUNDS:
        weighted_sums, redundancy = solver(factors)
        rounds += 1
        shows = redundancy >= LEAST_GROUP_REDUNDANCY
        step = np.ones(groups)
        step[shows] = component_step(weighted_sums[shows], redundancy[shows])
        converged = bool(np.abs(step - 1.0).max(initial=0.0) < SETTLED)
        factors = np.maximum(factors * step, SMALLEST_FACTOR)
    shows = redundancy >= LEAST_GROUP_REDUNDANCY
    factors = np.where(shows, factors, np.nan)
    return VarianceComponents(
        factors=factors,
        sd=factors * np.sqrt(2.0 / np.where(shows, redundancy, np.nan)),
        redundancy=redundancy,
        rounds=rounds,
        converged=converged,
    )
