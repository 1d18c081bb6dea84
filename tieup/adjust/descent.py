"""Downhill where Gauss-Newton does not settle: its step, corrected by what the steps before did.

Gauss-Newton leaves the curvature of the equations themselves out of its normal matrix N. Where
readings contradict each other grossly and the geometry is weak, that part decides: the steps
swing or grow however near the solution is. The steps taken, and what they did to the gradient,
make up for it (limited-memory BFGS with N in the place of its first matrix), and each step is as
long as the fit along it asks for, judged by its slope: near the solution the fit itself has no
digits left to tell two places apart.

References: Nocedal and Wright, Numerical Optimization: limited-memory BFGS, the Wolfe
conditions; Hager and Zhang (2005) for slopes in their place where the values are all equal.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tieup.adjust import elimination
from tieup.adjust.elimination import (
    Eliminated,
    UndeterminedMarkError,
    UndeterminedSetupError,
    UndeterminedTurnError,
)
from tieup.adjust.evaluation import Equations, Evaluation, Unknowns, evaluate, right_hand_side
from tieup.adjust.turn_border import Columns
from tieup.model.arrays import FloatArray
from tieup.model.observations import DIRECTION

REMEMBERED = 12  # steps whose effect on the gradient corrects the next one
LEVEL = 0.5  # part of the slope at which a step is long enough and not too long
LOWERS = 1e-4  # part of what the slope promises by which a step must lower the fit
ROUNDING = 1e-12  # part of the fit that is no difference
TRIALS = 30  # lengths that are tried along one step
LONGER = 4.0  # times that a step may be lengthened at once
PATIENCE = 10  # steps that may bring nothing before the descent gives up
STANDS = 1e-6  # part of the fit that is nothing
INSIDE = 0.1  # part of a bracket that a new length keeps from its ends

Pair = tuple[FloatArray, FloatArray]  # a step and what it took off the gradient
Factored = Callable[[Evaluation], Eliminated]


@dataclass(frozen=True)
class Spot:
    """One state with its evaluation; unknowns in one column: setups (S, 4), marks (m, 3), turns."""

    equations: Equations
    state: Unknowns
    evaluation: Evaluation

    @cached_property
    def downhill(self) -> FloatArray:
        """Return A'P l (u,): minus half the gradient of v'Pv."""
        return right_hand_side(self.equations, self.evaluation).stacked()[:, 0]

    def moved(self, step: FloatArray) -> Spot:
        """Return the spot one step (u,) away, in rad and m."""
        state = self.state.moved(_columns(step, len(self.state.axis), len(self.state.turn)))
        return Spot(self.equations, state, evaluate(self.equations, state))


@dataclass(frozen=True)
class Descended:
    """Where a descent came to: the spot, the next ``step`` (u,) from it, how many there were.

    ``slope`` is minus half the slope of v'Pv along that step.
    """

    spot: Spot
    step: FloatArray
    slope: float
    steps: int

    @property
    def size(self) -> float:
        """Return the largest change (m, rad) that the next step would make."""
        return float(np.abs(self.step).max(initial=0.0))

    @property
    def against_sd(self) -> float:
        """Return the most by which the next step would change anything, in units of its sd."""
        return float(np.sqrt(max(self.slope, 0.0)))

    @property
    def by_setup(self) -> FloatArray:
        """Return the next step of the setups (S, 4)."""
        return self.step[: 4 * len(self.spot.state.axis)].reshape(-1, 4)

    def swinging(self) -> int:
        """Return the sight whose readings follow the next step least as they should.

        A sight almost at its own axis turns about with any step: nothing else keeps a
        solution swinging for good.
        """
        here, connections = self.spot.evaluation, self.spot.equations.connections
        _, marks, turn = _columns(self.step, len(self.by_setup), len(self.spot.state.turn))
        mark = marks[:, :, 0]
        expected = here.misclosure - np.einsum(
            "cru,cu->cr", here.rows.by_setup, self.by_setup[connections.setup]
        )
        expected -= np.einsum("cru,cu->cr", here.rows.by_mark, mark[connections.point])
        bases = self.spot.equations.bases
        expected[bases.rows, DIRECTION] -= here.rows.by_turn * turn[bases.basis, 0]
        away = np.abs(self.spot.moved(self.step).evaluation.misclosure - expected)
        away[connections.plumb] = -1.0
        return int(connections.source[np.argmax(away.max(axis=1))])


def descend(spot: Spot, factored: Factored, settled: float, most: int) -> Descended:
    """Go downhill from ``spot`` until a step is shorter than ``settled`` or none leads on.

    Raises
    ------
    UndeterminedMarkError, UndeterminedSetupError, UndeterminedTurnError
        Where an unknown is not determined at the start.
    """
    system, pairs = factored(spot.evaluation), deque[Pair](maxlen=REMEMBERED)
    fits = deque([np.inf] * PATIENCE, maxlen=PATIENCE)
    for count in range(1, most + 1):
        step = _step(system, spot.downhill, pairs)
        slope = float(step @ spot.downhill)
        size = float(np.abs(step).max(initial=0.0))
        stuck = fits[0] - spot.evaluation.fit < STANDS * spot.evaluation.fit
        after = None if size < settled or stuck else along(spot, step, slope)
        if after is None or count == most:
            break
        fits.append(spot.evaluation.fit)
        there, length = after
        pair = length * step, spot.downhill - there.downhill
        if pair[0] @ pair[1] > 0:  # else the fit is hollow the other way here: nothing to learn
            pairs.append(pair)
        spot = there
        system = _renewed(system, spot, factored)
    return Descended(spot, step, slope, count)


def _renewed(system: Eliminated, spot: Spot, factored: Factored) -> Eliminated:
    """Return a factor of this spot; the one before where nothing is determined on the way."""
    try:
        return factored(spot.evaluation)
    except (UndeterminedMarkError, UndeterminedSetupError, UndeterminedTurnError):
        return system


def _step(system: Eliminated, downhill: FloatArray, pairs: Iterable[Pair]) -> FloatArray:
    """Return the step (u,) from the factor and the pairs, latest last."""
    known = list(pairs)
    rest, parts = downhill.copy(), []
    for step, change in reversed(known):
        part = float(step @ rest) / float(step @ change)
        rest -= part * change
        parts.append(part)
    rest = _solved(system, rest)
    for (step, change), part in zip(known, reversed(parts), strict=True):
        rest += (part - float(change @ rest) / float(step @ change)) * step
    return rest


def _solved(system: Eliminated, right: FloatArray) -> FloatArray:
    """Return N^-1 of one column (u,)."""
    column = _columns(right, system.structure.setups, system.border.bases.count)
    return elimination.solve(system, column).stacked()[:, 0]


def _columns(column: FloatArray, setups: int, turns: int) -> Columns:
    """Return one column (u,) by its parts."""
    setup, mark, turn = np.split(column, [4 * setups, len(column) - turns])
    return Columns(setup.reshape(-1, 4, 1), mark.reshape(-1, 3, 1), turn[:, None])


def along(spot: Spot, step: FloatArray, slope: float) -> tuple[Spot, float] | None:
    """Return a spot along ``step`` (u,) that fits better and how many steps away it is, or None.

    ``slope`` is minus half the slope of v'Pv along the step where it begins.
    """
    if not slope > 0:
        return None
    near, far, at_near = 0.0, np.inf, slope  # too short, too long, the slope where too short
    length, best = 1.0, None
    fit = spot.evaluation.fit
    for _ in range(TRIALS):
        there = spot.moved(length * step)
        left = float(step @ there.downhill)
        if there.evaluation.fit > fit - LOWERS * length * slope + ROUNDING * fit or (
            left < -LEVEL * slope
        ):
            far = length
        elif left <= LEVEL * slope:
            return there, length
        else:
            near, at_near, best = length, left, (there, length)
        length = _between(near, far, at_near, left if length == far else np.nan)
    return best


def _between(near: float, far: float, at_near: float, at_far: float) -> float:
    """Return the length to try next: where the slope would vanish, well inside the bracket."""
    if not np.isfinite(far):
        return LONGER * near
    width = far - near
    falls = at_near - at_far
    part = at_near / falls if falls > at_near else 0.5  # past the lowest place, or unknown
    return near + width * float(np.clip(part, INSIDE, 1.0 - INSIDE))
