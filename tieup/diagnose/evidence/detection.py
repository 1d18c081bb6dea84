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
from tieup.diagnose.evidence.evidence import Stack
from tieup.diagnose.evidence.misclosures import Tested
from tieup.diagnose.evidence.thresholds import FALSE_ALARM
from tieup.model.arrays import FloatArray

NOTHING = 0.003  # chance of one test from which a step brings nothing
QUIET = 2  # steps in a row that bring nothing
SHARE, MORE = 0.3, 3  # of the redundancy that may be mistakes, and a few


@dataclass(frozen=True)
class Detected:
    """The hypotheses taken out, by number, and the ``scatter`` of what is left."""

    taken: tuple[int, ...]
    scatter: Scatter


@dataclass(frozen=True)
class Judged:
    """What is ``taken`` out, the last of them judged without it: its ``statistic`` and chance.

    ``weighed`` are all hypotheses, weighed by the ``scatter`` of what is left.
    """

    taken: tuple[int, ...]
    scatter: Scatter
    weighed: Stack
    statistic: float
    chance: float


def detect(tested: Tested, family: int) -> Detected:
    """Search outward; ``family`` is the number of hypotheses of the job.

    What explains most is asked twice: of readings that scatter as estimated so far, and as stated.
    A mistake that is in many readings is in that estimate, and then one reading that stands out
    of it seems to explain more.
    """
    degrees = np.array([span.stop - span.start for span in tested.span], dtype=np.float64)
    usual = chi_square_critical(FALSE_ALARM / max(family, 1), degrees)
    scatter = estimate_scatter(tested.misclosures, tested.of(()))
    best = Detected((), scatter)
    taken: tuple[int, ...] = ()
    stated = tested.stack(np.ones(len(scatter.factors)))
    weighed = tested.stack(scatter.cautious)
    quiet = 0
    while quiet < QUIET and len(taken) < SHARE * len(tested.misclosures) + MORE:
        ones = {_most(stack, taken, usual) for stack in (stated, weighed)} - {-1}
        steps = [judged(tested, (*taken, one), scatter, degrees) for one in sorted(ones)]
        open_ones = [step for step in steps if step is not None]
        if not open_ones:
            break
        step = min(open_ones, key=lambda s: (s.chance, usual[s.taken[-1]] - s.statistic))
        taken, scatter, weighed = step.taken, step.scatter, step.weighed
        quiet = 0 if step.chance < NOTHING else quiet + 1
        if step.chance < FALSE_ALARM / max(family, 1):
            best = Detected(taken, scatter)
    return best


def _most(stack: Stack, taken: tuple[int, ...], usual: FloatArray) -> int:
    """Return the hypothesis that is farthest above what is ``usual`` (h,), -1 where none is seen.

    Given those ``taken`` out already.
    """
    given = judge_all(stack, taken) - usual
    return int(np.nanargmax(given)) if np.isfinite(given).any() else -1


def judged(
    tested: Tested, taken: tuple[int, ...], scatter: Scatter, degrees: FloatArray
) -> Judged | None:
    """Take out ``taken`` and judge the last of them by the scatter without it.

    ``degrees`` (h,) are those of all hypotheses, ``scatter`` an estimate to begin with. None
    where nothing is left to estimate a scatter from.
    """
    if tested.of(taken).shape[1] > len(tested.misclosures):
        return None
    one, scatter = taken[-1], estimate_scatter(tested.misclosures, tested.of(taken), scatter)
    weighed = tested.stack(scatter.cautious)
    statistic = float(judge_all(weighed, taken[:-1])[one])
    if not np.isfinite(statistic):
        return Judged(taken, scatter, weighed, 0.0, 1.0)
    freedom = float(tested.freedom(scatter.cautious, scatter, np.array([one]))[0])
    chance = float(f_tail(statistic / degrees[one], degrees[one], freedom))
    return Judged(taken, scatter, weighed, statistic, chance)
