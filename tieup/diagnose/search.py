"""Find the mistakes that explain the misfits: the fewest that leave nothing to explain.

Every hypothesis has a price: what its test statistic reaches by chance once in so
many clean jobs, less what its commonness is worth. Mistakes are added while one is worth
more than its price, exchanged where one explains what several did, and dropped again when
the others make them unnecessary. What fits as well as an accepted mistake is kept as
its rival.

References: Teunissen, detection - identification - adaptation; Baarda (1968).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import chi_square_critical
from tieup.diagnose.evidence import Stack
from tieup.diagnose.hypotheses import Hypothesis
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.selection import estimate, explained, judge_all
from tieup.model.arrays import FloatArray

FALSE_ALARM = 0.004  # chance that a clean job shows any mistake; the promise is 0.01
INSEPARABLE = 11.0  # margin in cost below which the data do not decide (3.3 sd squared)
WORTH_NAMING = 0.5  # share of the best statistic from which a rival is listed
MOST_MISTAKES = 25
MOST_RIVALS = 4


@dataclass(frozen=True)
class RivalTest:
    """Another hypothesis given the same others; ``margin`` is how much worse it explains."""

    number: int
    statistic: float
    margin: float


@dataclass(frozen=True)
class Accepted:
    """An accepted hypothesis with its sizes (q,), their covariance (q, q) and its test."""

    hypothesis: Hypothesis
    size: FloatArray
    covariance: FloatArray
    statistic: float
    rivals: tuple[tuple[Hypothesis, RivalTest], ...]


def search(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    family: int = 0,
    scatter: float = 1.0,
    choice: int | None = None,
) -> tuple[Accepted, ...]:
    """Return the accepted mistakes, strongest first.

    ``family`` is the number of hypotheses that could have been asked, where more could
    than were. ``scatter`` is how many times more than stated the readings scatter. Only the
    first ``choice`` hypotheses may be accepted, where given; the others may only rival them.
    """
    price = _prices(hypotheses, max(family, len(hypotheses))) * scatter**2
    asked = price.copy()
    asked[choice:] = np.inf if choice is not None else asked[choice:]
    accepted: tuple[int, ...] = ()
    for _ in range(MOST_MISTAKES):
        better = _improved(stack, hypotheses, asked, accepted)
        if better is None:
            break
        accepted = better
    found = [_describe(stack, hypotheses, price, accepted, which) for which in accepted]
    return tuple(sorted(found, key=lambda a: -a.statistic))


def _prices(hypotheses: Sequence[Hypothesis], family: int) -> FloatArray:
    """Return the price of each hypothesis: a chi-square value less twice its prior."""
    each = FALSE_ALARM / max(family, 1)
    degrees = np.array([hypothesis.degrees for hypothesis in hypotheses], dtype=np.float64)
    prior = np.array([hypothesis.prior for hypothesis in hypotheses])
    return chi_square_critical(each, degrees) - 2.0 * prior


def _improved(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    price: FloatArray,
    accepted: tuple[int, ...],
) -> tuple[int, ...] | None:
    """Return the best set one move away that explains more than it costs, or None."""
    now = _worth(stack, price, accepted)
    candidates = []
    tested = judge_all(stack, accepted)
    surplus = np.nan_to_num(tested, nan=-np.inf) - price
    if len(surplus) and surplus.max() > 0.0:
        candidates.append((*accepted, int(np.argmax(surplus))))
    candidates += [tuple(a for a in accepted if a != out) for out in accepted]
    if len(accepted) > 0:
        candidates += _exchanges(stack, hypotheses, price, accepted)
    best, most = None, now + 1e-6
    for candidate in candidates:
        worth = _worth(stack, price, candidate)
        if worth > most:
            best, most = candidate, worth
    return best


def _exchanges(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    price: FloatArray,
    accepted: tuple[int, ...],
) -> list[tuple[int, ...]]:
    """Return sets in which one hypothesis takes the place of one or of all that it covers."""
    sets: list[tuple[int, ...]] = []
    for out in accepted:
        rest = tuple(a for a in accepted if a != out)
        tested = judge_all(stack, rest)
        surplus = np.nan_to_num(tested, nan=-np.inf) - price
        surplus[out] = -np.inf
        sets += [(*rest, int(n)) for n in np.argsort(-surplus)[:3]]
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
    return set(part.kinds) <= set(whole.kinds) and bool(np.isin(part.rows, whole.rows).all())


def _worth(stack: Stack, price: FloatArray, chosen: tuple[int, ...]) -> float:
    """Return what a set explains, less what it costs."""
    return explained(stack, chosen) - float(price[list(chosen)].sum()) if chosen else 0.0


def _describe(
    stack: Stack,
    hypotheses: Sequence[Hypothesis],
    price: FloatArray,
    accepted: tuple[int, ...],
    which: int,
) -> Accepted:
    """Estimate one accepted mistake given the others and list what rivals it."""
    others = tuple(a for a in accepted if a != which)
    tested = judge_all(stack, others)
    size, covariance = estimate(stack, accepted, which)
    surplus = np.nan_to_num(tested, nan=-np.inf) - price
    own = float(tested[which])
    rivals: list[tuple[Hypothesis, RivalTest]] = []
    seen = {_subject(hypotheses[which])}
    for number in np.argsort(-surplus, kind="stable"):
        statistic = float(tested[number])
        if not statistic > WORTH_NAMING * own:
            continue
        if len(rivals) == MOST_RIVALS:
            break
        if _subject(hypotheses[number]) not in seen:
            seen.add(_subject(hypotheses[number]))
            margin = float(surplus[which] - surplus[number])
            rivals.append((hypotheses[number], RivalTest(int(number), statistic, margin)))
    return Accepted(hypotheses[which], size, covariance, own, tuple(rivals))


def _subject(hypothesis: Hypothesis) -> tuple[str, str, tuple[str, ...], tuple[int, ...]]:
    return (hypothesis.kind, hypothesis.setup, hypothesis.points, hypothesis.links)


def found_mistake(accepted: Accepted) -> Mistake:
    """Return an accepted hypothesis as a mistake."""
    hypothesis = accepted.hypothesis
    rivals = tuple(
        RivalCause(
            rival.kind,
            rival.setup,
            rival.points,
            float(np.sqrt(test.statistic)),
            separable=test.margin > INSEPARABLE,
        )
        for rival, test in accepted.rivals
    )
    return Mistake(
        kind=hypothesis.kind,
        setup=hypothesis.setup,
        points=hypothesis.points,
        rows=hypothesis.rows,
        kinds=hypothesis.kinds,
        unit=hypothesis.unit,
        size=accepted.size,
        covariance=accepted.covariance,
        statistic=float(np.sqrt(max(accepted.statistic, 0.0))),
        detail=hypothesis.detail,
        rivals=rivals,
        links=hypothesis.links,
    )
