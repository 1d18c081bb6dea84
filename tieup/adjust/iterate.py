"""Gauss-Newton on the whitened equations until the step no longer matters.

The factored system serves several steps: near the solution the steps that it gives shrink
a hundredfold each, for a quarter of the cost. It is made anew when they shrink slowly, and
once more where the iteration ends, because precision and reliability come from it. A step
that makes the fit worse is halved. What has not settled after a few steps goes on downhill
(`tieup.adjust.descent`).
"""

from __future__ import annotations

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.descent import Descended, Spot, descend
from tieup.adjust.elimination import Eliminated
from tieup.adjust.evaluation import Equations, Evaluation, Unknowns, evaluate, right_hand_side
from tieup.adjust.turn_border import Columns
from tieup.model.arrays import IntArray

SMALL_STEP = 1e-5  # m, rad; a hundredth of what matters: good enough where rounding ends it
SETTLED = 1e-8  # m, rad; the next step would be ten times smaller still
SAME_PLACE = 1e-9  # m, rad; a factor made this near the end serves for the statistics
SHRINKS = 0.1  # a step longer than this part of the one before asks for a new factor
PLAIN_ITERATIONS = 12  # an ordinary site takes three to six
MOST_ITERATIONS = 60  # even degrees and metres off, what settles does so in half of these
NO_MATTER = 1e-3  # of its sd: what is left of a step that changes nothing by more
MOST_NAMED = 3  # setups that an error speaks of
HALVINGS = 6


class UnsettledError(Exception):
    """The steps do not become small: ``size`` (m, rad) of the last, by ``setups``, worst first.

    ``sight`` is the one that keeps it swinging, ``steps`` how many there were.
    """

    def __init__(self, size: float, setups: IntArray, sight: int, steps: int) -> None:
        super().__init__(f"unsettled in {steps} steps")
        self.size = size
        self.setups = setups
        self.sight = sight
        self.steps = steps


def iterate(equations: Equations, state: Unknowns) -> tuple[Unknowns, Evaluation, Eliminated, int]:
    """Run Gauss-Newton from ``state``; return the last state, evaluation, factor, steps.

    Raises
    ------
    UnsettledError
        When the step does not become small.
    UndeterminedMarkError, UndeterminedSetupError, UndeterminedTurnError
        Where an unknown is not determined.
    """

    def factored(at: Evaluation) -> Eliminated:
        return elimination.eliminate(
            equations.structure,
            at.rows,
            equations.weight,
            equations.held,
            equations.prior,
            equations.bases,
        )

    evaluation = evaluate(equations, state)
    system, is_new, last = factored(evaluation), True, np.inf
    for count in range(1, min(PLAIN_ITERATIONS, MOST_ITERATIONS) + 1):
        step = elimination.solve(system, right_hand_side(equations, evaluation))
        size = max(np.abs(part).max(initial=0.0) for part in step)
        ahead = _careful(equations, state, evaluation, step)
        if ahead is None:
            break
        state, evaluation = ahead
        slow = size > SHRINKS * last
        if size < SETTLED or (size < SMALL_STEP and slow and is_new):
            if not is_new or size > SAME_PLACE:
                system = factored(evaluation)
            return state, evaluation, system, count
        is_new = bool(slow and not is_new)
        if is_new:
            system = factored(evaluation)
        last = size
    end = descend(
        Spot(equations, state, evaluation), factored, SETTLED, max(MOST_ITERATIONS - count, 1)
    )
    if not (end.size < SMALL_STEP or end.against_sd < NO_MATTER):  # so too after an overflow
        raise _unsettled(end, count + end.steps)
    spot = end.spot
    return spot.state, spot.evaluation, factored(spot.evaluation), count + end.steps


def _unsettled(end: Descended, steps: int) -> UnsettledError:
    """Return the error that names the setups which move most and the sight that swings.

    Numbers beyond all measure blame no sight.
    """
    moved = np.abs(end.by_setup).max(axis=1)
    worst = np.argsort(-moved, kind="stable")[:MOST_NAMED]
    sight = end.swinging() if np.isfinite(end.spot.evaluation.fit + end.size) else -1
    return UnsettledError(
        end.size, worst[moved[worst] > SHRINKS * moved.max(initial=0.0)], sight, steps
    )


def _careful(
    equations: Equations,
    state: Unknowns,
    before: Evaluation,
    step: Columns,
) -> tuple[Unknowns, Evaluation] | None:
    """Take the step, or the largest half, quarter, ... of it that does not fit worse, or none."""
    factor = 1.0
    for _ in range(HALVINGS):
        moved = state.moved(step, factor)
        after = evaluate(equations, moved)
        if after.fit <= before.fit * (1.0 + 1e-6) + 1e-9:
            return moved, after
        factor *= 0.5
    return None
