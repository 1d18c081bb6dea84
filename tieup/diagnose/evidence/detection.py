"""How many mistakes a job has, and how its readings scatter without them.

The search goes outward: the hypothesis that explains most is taken out, whatever its chance, the
scatter is estimated anew without it, and it is judged by that; so on until two in a row bring
nothing. Accepted is everything up to the last one that was no chance: mistakes that hide each
other are all out when the last of them is judged, and none feeds the scatter it is judged by.

References: Rosner (1983), Davies and Gather (1993), outward search against masking; Cook and
Weisberg (1982), externally studentised residuals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import chi_square_critical, f_tail
from tieup.adjust.scatter import Scatter, estimate_scatter
from tieup.diagnose.evidence.conditional_tests import judge_all
from tieup.diagnose.evidence.misclosures import Tested
from tieup.diagnose.evidence.thresholds import FALSE_ALARM

NOTHING = 0.003  # chance of one test from which a step brings nothing
QUIET = 2  # steps in a row that bring nothing
SHARE, MORE = 0.3, 3  # of the redundancy that may be mistakes, and a few


@dataclass(frozen=True)
class Detected:
    """The hypotheses taken out, by number, and the ``scatter`` of what is left."""

    taken: tuple[int, ...]
    scatter: Scatter


def detect(tested: Tested, family: int) -> Detected:
    """Search outward; ``family`` is the number of hypotheses of the job."""
    misclosures = tested.misclosures
    degrees = np.array([span.stop - span.start for span in tested.span], dtype=np.float64)
    usual = chi_square_critical(FALSE_ALARM / max(family, 1), degrees)
    scatter = estimate_scatter(misclosures, tested.of(()))
    best = Detected((), scatter)
    taken: tuple[int, ...] = ()
    quiet = 0
    weighed = tested.stack(scatter.cautious)
    while quiet < QUIET and len(taken) < SHARE * len(misclosures) + MORE:
        given = judge_all(weighed, taken)
        if not np.isfinite(given).any():
            break
        one = int(np.nanargmax(given - usual))
        taken = (*taken, one)
        if _spent(tested, taken):
            break
        scatter = estimate_scatter(misclosures, tested.of(taken), scatter)
        weighed = tested.stack(scatter.cautious)
        statistic = float(judge_all(weighed, taken[:-1])[one])
        chance = _chance(tested, scatter, one, statistic, degrees[one])
        quiet = 0 if chance < NOTHING else quiet + 1
        if chance < FALSE_ALARM / max(family, 1):
            best = Detected(taken, scatter)
    return best


def _spent(tested: Tested, taken: tuple[int, ...]) -> bool:
    """Say whether what is taken out leaves nothing to estimate a scatter from."""
    return bool(tested.of(taken).shape[1] > len(tested.misclosures))


def _chance(tested: Tested, scatter: Scatter, one: int, statistic: float, degrees: float) -> float:
    """Return the chance of a ``statistic`` this large, judged by the scatter without it."""
    if not np.isfinite(statistic):
        return 1.0
    freedom = float(tested.freedom(scatter.cautious, scatter, np.array([one]))[0])
    return float(f_tail(statistic / degrees, degrees, freedom))
