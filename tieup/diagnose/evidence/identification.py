"""Find the mistakes that explain the misfits: the fewest that leave nothing to explain.

Every hypothesis has a threshold: what its test statistic reaches by chance once in so
many clean jobs. A mistake is added while any stands above its own; which one it is, is chosen by
what it explains less its price, the threshold less what its commonness is worth. Mistakes are
exchanged where one explains what several did, and dropped again when the others make them
unnecessary. What explains the data as well in place of an accepted mistake is its rival.

Two grades: noticed is what is no chance. Named is what is also so much larger than everything
that is left that a heavy tail does not produce it: with a tail of index 4 the largest of many
readings exceeds the second 2.5 times in 2.5^-4 = 2.6 % of jobs, in both tests together in 1.5 %.

References: Teunissen, detection - identification - adaptation; Baarda (1968).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import normal_critical
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.evidence.conditional_tests import estimate, explained, judge_all
from tieup.diagnose.evidence.evidence import Stack
from tieup.diagnose.evidence.thresholds import Thresholds
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.finding import NAMED, NOTICED

INSEPARABLE = 11.0  # margin in cost below which the data do not decide (3.3 sd squared)
WORTH_NAMING = 0.5  # share of the best statistic from which a rival is listed
MOST_MISTAKES = 25
MOST_RIVALS = 6
STANDS_OUT = 2.5  # times the largest |w| that is left, from which a mistake is named
RAREST = -1.0  # the smallest prior of a hypothesis
EQUAL = 1e-6  # share of a worth within which another is as good: processors round differently


@dataclass(frozen=True)
class Accepted:
    """An accepted hypothesis, by its ``number``, as a ``mistake`` with what rivals it."""

    number: int
    mistake: Mistake


def search(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    thresholds: Thresholds,
    choice: int | None = None,
) -> tuple[Accepted, ...]:
    """Return the accepted mistakes, strongest first.

    Only the first ``choice`` hypotheses may be accepted, where given; the others may only rival
    them.
    """
    prices = _Prices(hypotheses, thresholds, choice)
    accepted: tuple[int, ...] = ()
    for _ in range(MOST_MISTAKES):
        better = _improved(stack, hypotheses, prices, accepted)
        if better is None:
            break
        accepted = better
    left = _largest_left(stack, hypotheses, accepted)
    found = [_describe(stack, hypotheses, prices, accepted, which, left) for which in accepted]
    return tuple(sorted(found, key=lambda a: -a.mistake.statistic))


class _Prices:
    """Thresholds and prices of the hypotheses (h,), infinite for those that may only rival."""

    def __init__(
        self, hypotheses: Sequence[Hypothesis], thresholds: Thresholds, choice: int | None
    ) -> None:
        self.thresholds = thresholds
        prior = np.array([hypothesis.prior for hypothesis in hypotheses])
        self._commonness = 2.0 * (prior - RAREST)
        self._asked = np.arange(len(prior)) < (len(prior) if choice is None else choice)
        self._place = _places(hypotheses)

    def stands_above(self, statistic: FloatArray) -> BoolArray:
        """Say which statistics (h,) are no chance."""
        needed = self.thresholds.against(statistic)
        with np.errstate(invalid="ignore"):
            return np.asarray(self._asked & (statistic > needed))

    def surplus(self, statistic: FloatArray, *, asked: bool = True) -> FloatArray:
        """Return what each explains beyond its price (h,), -inf where nothing shows it."""
        needed = self.thresholds.against(statistic) - self._commonness
        worth = np.nan_to_num(statistic, nan=-np.inf) - needed
        return np.where(self._asked, worth, -np.inf) if asked else np.asarray(worth)

    def in_order(self, surplus: FloatArray) -> IntArray:
        """Return the hypotheses (h,) by falling ``surplus``, those as good by what they are."""
        known = np.abs(surplus[np.isfinite(surplus)])
        step = EQUAL * max(1.0, float(known.max(initial=0.0)))
        return np.lexsort((self._place, -np.round(surplus / step)))

    def of(self, chosen: Sequence[int]) -> float:
        """Return the price of a set."""
        own = list(chosen)
        return float((self.thresholds.values[own] - self._commonness[own]).sum())


def _places(hypotheses: Sequence[Hypothesis]) -> IntArray:
    """Return the place (h,) of each among those that are as good: what claims least goes first.

    Then by name, so that neither the order of rows nor that of setups decides.
    """
    keys = [(len(h.rows), h.kind, h.setup, h.points, h.detail, h.links) for h in hypotheses]
    place = np.empty(len(keys), dtype=np.int64)
    place[sorted(range(len(keys)), key=keys.__getitem__)] = np.arange(len(keys))
    return place


def _largest_left(
    stack: Stack, hypotheses: Sequence[Hypothesis], accepted: tuple[int, ...]
) -> float:
    """Return the largest |w| of a single reading with the accepted mistakes out.

    At least what the largest of so many is in every second clean job: what is left may be quiet.
    """
    single = np.array([h.reading >= 0 for h in hypotheses])
    usual = float(normal_critical(0.25 / max(int(single.sum()), 1)))
    left = judge_all(stack, accepted)[single]
    return max(float(np.sqrt(np.nanmax(left))) if np.isfinite(left).any() else 0.0, usual)


def _improved(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    prices: _Prices,
    accepted: tuple[int, ...],
) -> tuple[int, ...] | None:
    """Return the best set one move away that explains more than it costs, or None."""
    candidates = []
    tested = judge_all(stack, accepted)
    if prices.stands_above(tested).any():
        candidates.append((*accepted, int(prices.in_order(prices.surplus(tested))[0])))
    candidates += [tuple(a for a in accepted if a != out) for out in accepted]
    if len(accepted) > 0:
        candidates += _exchanges(stack, hypotheses, prices, accepted)
    best, most = None, _worth(stack, prices, accepted)
    for candidate in candidates:
        worth = _worth(stack, prices, candidate)
        if worth > most + EQUAL * max(1.0, abs(most)):
            best, most = candidate, worth
    return best


def _exchanges(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    prices: _Prices,
    accepted: tuple[int, ...],
) -> list[tuple[int, ...]]:
    """Return sets in which one hypothesis takes the place of one or of all that it covers."""
    sets: list[tuple[int, ...]] = []
    for out in accepted:
        rest = tuple(a for a in accepted if a != out)
        surplus = prices.surplus(judge_all(stack, rest))
        surplus[out] = -np.inf
        best = prices.in_order(surplus)[:3]
        sets += [(*rest, int(n)) for n in best if np.isfinite(surplus[n])]
    if len(accepted) > 1:
        for number, hypothesis in enumerate(hypotheses):
            covered = [a for a in accepted if _covers(hypothesis, hypotheses[a])]
            if len(covered) > 1 and number not in accepted:
                sets.append((*(a for a in accepted if a not in covered), number))
    return sets


def _covers(whole: Hypothesis, part: Hypothesis) -> bool:
    """Say whether ``whole`` speaks of everything that ``part`` speaks of."""
    if len(part.rows) == 0 or len(whole.rows) < len(part.rows):
        return bool(whole.setup) and whole.setup == part.setup and len(whole.rows) == 0
    return set(part.kinds) <= set(whole.kinds) and set(part.rows.tolist()) <= set(
        whole.rows.tolist()
    )


def _worth(stack: Stack, prices: _Prices, chosen: tuple[int, ...]) -> float:
    """Return what a set explains, less what it costs."""
    return explained(stack, chosen) - prices.of(chosen) if chosen else 0.0


def _describe(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    prices: _Prices,
    accepted: tuple[int, ...],
    which: int,
    left: float,
) -> Accepted:
    """Estimate one accepted mistake given the others and list what rivals it."""
    others = tuple(a for a in accepted if a != which)
    tested = judge_all(stack, others)
    size, covariance = estimate(stack, accepted, which)
    surplus = prices.surplus(tested, asked=False)
    own = float(tested[which])
    rivals: list[RivalCause] = []
    seen = {_subject(hypotheses[which])}
    for number in prices.in_order(surplus).tolist():
        if not tested[number] > WORTH_NAMING * own:
            continue
        if len(rivals) == MOST_RIVALS:
            break
        rival = hypotheses[number]
        if _subject(rival) not in seen:
            seen.add(_subject(rival))
            close = bool(surplus[which] - surplus[number] <= INSEPARABLE)
            as_well = close or _explains(stack, prices, (*others, number))
            rivals.append(_rival(rival, float(np.sqrt(tested[number])), separable=not as_well))
    away = float(np.sqrt(max(own, 0.0)))
    mistake = replace(
        Mistake.of(hypotheses[which]),
        size=size,
        covariance=covariance,
        statistic=away,
        rivals=tuple(rivals),
        grade=NAMED if away >= STANDS_OUT * left else NOTICED,
    )
    return Accepted(which, mistake)


def _rival(hypothesis: Hypothesis, statistic: float, *, separable: bool) -> RivalCause:
    """Return another hypothesis as what rivals a mistake."""
    cause = Mistake.of(hypothesis)
    return RivalCause(cause.kind, cause.setup, cause.points, statistic, separable, cause)


def _explains(stack: Stack, prices: _Prices, chosen: tuple[int, ...]) -> bool:
    """Say whether a set taken out leaves nothing that is no chance."""
    return not bool(prices.stands_above(judge_all(stack, chosen)).any())


def _subject(hypothesis: Hypothesis) -> tuple[str, str, tuple[str, ...], tuple[int, ...]]:
    return (hypothesis.kind, hypothesis.setup, hypothesis.points, hypothesis.links)
