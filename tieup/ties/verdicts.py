"""Judge a difference twice: against its sd (is it an error?) and its limit (does it matter?).

The two questions have different answers, so there are more than two cases:

=========  =======================================  ========
state      meaning                                  verdict
=========  =======================================  ========
good       within the limit, as the gear explains   ties
tight      within the limit, more than the gear     ties
bad        beyond the limit, more than the gear     fails
loose      beyond the limit, as the gear explains   untested
coarse     the gear is too coarse for the limit     untested
open       nothing tests it                         untested
=========  =======================================  ========

A difference of 4 mm with an sd of 1.5 mm comes up in most clean jobs somewhere: to call it
a failure would cry wolf, to call it a tie would let someone pave on it. It is neither proved
nor disproved, and a second look settles it.

A tie is only ever called one where it proves something: an error of twice the limit must
show as a difference beyond the limit 19 times in 20, that is 1.645 sd <= limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.answer import FAILS, TIED, UNTESTED
from tieup.model.arrays import BoolArray, FloatArray, TextArray

GOOD, TIGHT, OPEN, COARSE, LOOSE, BAD, UNASKED = (
    "good",
    "tight",
    "open",
    "coarse",
    "loose",
    "bad",
    "unasked",
)
WORDS = {
    GOOD: "within the limit",
    TIGHT: "within the limit, but more than the gear explains",
    OPEN: "nothing tests it",
    COARSE: "the gear is too coarse to prove the limit here",
    LOOSE: "beyond the limit, but the gear scatters as much: shoot again to prove it",
    BAD: "beyond the limit and more than the gear explains",
    UNASKED: "",
}
VERDICTS = {BAD: FAILS, LOOSE: UNTESTED, COARSE: UNTESTED, OPEN: UNTESTED, TIGHT: TIED, GOOD: TIED}
ORDER = (UNASKED, GOOD, TIGHT, OPEN, COARSE, LOOSE, BAD)  # the later one speaks
PROVING = 1.645  # sds; normal value exceeded 1 time in 20


@dataclass(frozen=True)
class Judgement:
    """What n differences mean, text arrays (n,): states by part, verdict, and words."""

    plan: TextArray
    height: TextArray
    verdict: TextArray
    words: TextArray


def state_of(size: FloatArray, sd: FloatArray, limit: float, beyond: BoolArray) -> TextArray:
    """Return the state (n,) of differences of ``size`` with ``sd`` (n,) against ``limit`` (m).

    ``beyond`` (n,) says which are more than chance explains; NaN in ``size`` is open.
    """
    state = np.full(size.shape, GOOD, dtype=object)
    with np.errstate(invalid="ignore"):
        over = np.abs(size) > limit
        coarse = sd * PROVING > limit
    state[beyond] = TIGHT
    state[coarse & ~over & ~beyond] = COARSE
    state[over & ~beyond] = LOOSE
    state[over & beyond] = BAD
    state[~np.isfinite(size)] = OPEN
    return state


def judge(plan: TextArray, height: TextArray) -> Judgement:
    """Put plan and height (n,) together: the worse of the two speaks."""
    rank = {state: i for i, state in enumerate(ORDER)}
    verdict, words = np.empty_like(plan), np.empty_like(plan)
    for i, (flat, up) in enumerate(zip(plan, height, strict=True)):
        worst = max(flat, up, key=rank.__getitem__)
        verdict[i] = VERDICTS.get(worst, UNTESTED)
        words[i] = _said(worst, "" if flat == up else "plan" if worst == flat else "height")
    return Judgement(plan, height, verdict, words)


def _said(state: str, part: str) -> str:
    """Say what a state means of plan or height alone, or of both.

    >>> _said(OPEN, "height"), _said(COARSE, "plan")
    ('nothing tests the height', 'the gear is too coarse to prove the limit in plan here')
    >>> _said(BAD, "height"), _said(UNASKED, "")
    ('height beyond the limit and more than the gear explains', 'nothing tests it')
    """
    words = WORDS[state] or WORDS[OPEN]
    if not part:
        return words
    if state == OPEN:
        return f"nothing tests the {part}"
    if state == COARSE:
        return words.replace("the limit", f"the limit in {part}")
    return f"{part} {words}"
