"""A step in a string that no shot shares: a pole height of one of the two setups, or a real edge.

The step is measured where the two lines are carried to the middle of the gap. Which of the two
it is the readings of one line cannot tell. A pole height along the run is the first suspicion
where a line beside it shows the same step, or where the step takes the booked height to one that
the setup booked elsewhere. Nothing is left out for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.kinds.string_step import EDGE, FIRST, STEP
from tieup.diagnose.kinds.target_height import TARGET_HEIGHT
from tieup.model.arrays import BoolArray, IntArray
from tieup.model.strings import StringStep, string_names

SURE = 3.3  # sds by which two steps must differ
BOOKED = 0.01  # m, a step is hardly known better: heights nearer than that are one


def step_mistakes(case: Case, steps: Sequence[StringStep]) -> tuple[Mistake, ...]:
    """Return a mistake for each step that stands out, its causes as rivals in their order."""
    names = string_names(case.shots)
    return tuple(
        _mistake(case, names, steps, number) for number, one in enumerate(steps) if one.stands
    )


def _mistake(case: Case, names: np.ndarray, steps: Sequence[StringStep], number: int) -> Mistake:
    one = steps[number]
    others = [other for k, other in enumerate(steps) if k != number and np.isfinite(other.step)]
    beside = [other for other in others if set(other.setups) == set(one.setups)]
    alike = [other for other in beside if other.stands and _agree(one, other, 1.0)]
    poles = [_pole(case, names, one, side) for side in (0, 1)]
    scores = [_score(case, pole, one, side, others) for side, pole in enumerate(poles)]
    order = sorted((0, 1), key=lambda side: -scores[side])
    told = scores[order[0]] > scores[order[1]]
    against = any(not other.stands and not _agree(one, other, 1.0) for other in beside)
    first = bool(alike) or (told and scores[order[0]] > 0 and not against)
    causes = [_rival(poles[side], one, scores[side] < 0) for side in order]
    ends = tuple(case.points[end] for end in one.ends)
    edge = RivalCause(EDGE, "", ends, one.clear, separable=False)
    return replace(
        STEP.mistake("", ends, _ends_rows(case, names, one)),
        size=np.array([one.step]),
        covariance=np.array([[one.sd**2 + one.unsure**2]]),
        statistic=one.clear,
        detail=one.string,
        instead=(FIRST if first and told else "", *(other.string for other in alike)),
        rivals=(*causes, edge) if first else (edge, *causes),
        grade="",
    )


def _agree(one: StringStep, other: StringStep, sign: float) -> bool:
    """Say whether another change-over shows a step as this one, or with the other sign."""
    if other.setups == one.setups[::-1]:
        sign = -sign
    off = abs(one.step - sign * other.step)
    return bool(off <= one.unsure + other.unsure + SURE * np.hypot(one.sd, other.sd))


def _pole(case: Case, names: np.ndarray, one: StringStep, side: int) -> Mistake:
    """Return the step as a wrong pole height along the line in one of the two setups.

    A height booked too large puts points low: of the first setup it makes the line step up.
    """
    rows = _rows(case, names, one.string, one.setups[side])
    size = one.step if side == 0 else -one.step
    booked = np.unique(case.shots.target_height[rows])
    marks = dict.fromkeys(case.points[p] for p in case.shots.point[rows].tolist())
    return replace(
        TARGET_HEIGHT.mistake(case.setups[one.setups[side]].label, tuple(marks), rows),
        size=np.array([size]),
        covariance=np.array([[one.sd**2]]),
        statistic=one.clear,
        detail=one.string,
        instead=(f"{booked[0] - size:.6f}",) if len(booked) == 1 else (),
    )


def _rows(case: Case, names: np.ndarray, string: str, setup: int) -> IntArray:
    """Return the raw rows of a string in a setup."""
    return np.flatnonzero((names == string) & (case.shots.setup == setup) & ~case.shots.repeated)


def _ends_rows(case: Case, names: np.ndarray, one: StringStep) -> IntArray:
    """Return the raw rows of the last point of the one setup and the first of the other."""
    found = [
        row
        for setup, end in zip(one.setups, one.ends, strict=True)
        for row in _rows(case, names, one.string, setup)
        if case.shots.point[row] == end
    ]
    return np.array(found, dtype=np.int64)


def _rival(pole: Mistake, one: StringStep, against: bool) -> RivalCause:
    rival = TARGET_HEIGHT.rival(pole.setup, pole.points, one.clear)
    return replace(rival, separable=against, cause=pole)


def _score(
    case: Case, pole: Mistake, one: StringStep, side: int, others: Sequence[StringStep]
) -> int:
    """Return what speaks for a setup's pole, and against it below 0.

    The right height is one that the setup booked elsewhere, and the setup's other change-overs
    step as they would have to.
    """
    score = int(_booked_elsewhere(case, pole, one))
    setup = one.setups[side]
    for other in others:
        if setup not in other.setups or set(other.setups) == set(one.setups):
            continue
        sign = 1.0 if other.setups.index(setup) == side else -1.0
        fits = abs(one.step - sign * other.step) <= (
            one.unsure + other.unsure + SURE * np.hypot(one.sd, other.sd)
        )
        score += 2 * bool(fits and other.stands) - 2 * bool(not fits and other.string == one.string)
    return score


def _booked_elsewhere(case: Case, pole: Mistake, one: StringStep) -> bool:
    """Say whether the right height is one that the setup booked for other shots."""
    if not pole.instead:
        return False
    right, shots = float(pole.instead[0]), case.shots
    inside: BoolArray = np.isin(np.arange(len(shots.setup)), pole.rows)
    own = (shots.setup == shots.setup[pole.rows[0]]) & ~inside
    near = np.abs(shots.target_height[own] - right)
    return bool((near <= max(BOOKED, one.unsure + 2.0 * one.sd)).any())
