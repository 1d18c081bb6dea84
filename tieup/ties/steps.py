"""Setup by setup: does all that one setup shot lie higher, lower or to one side of where it stands?

A setup over a mark claims a height and a place. When all its sights put their targets 5 mm
high against that claim (an instrument height misread, a pole height wrong all setup long,
the wrong part of the mark), the whole setup is a step against its neighbours.

A free station claims nothing: an error common to all its heights goes into its own height,
its shots come out right, and nothing could show it. That is said, not hidden.

The step of the sights is the plumb line's tie with the sign turned: the shift of the place
it claims, against all it sees. When one setup is named, the others are judged again with
that setup set free, so that it does not make them look wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.estimable import Information, freed
from tieup.adjust.hypothesis import cross_information, place_shift, place_shifts
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.ties.multiple_testing import holm
from tieup.ties.shifts import Shifts, solve_shifts
from tieup.ties.suspects import Suspects

# Of the 1 % of clean jobs in which a setup may be named for nothing, height gets most: it is
# what pays. A setup is called off for sure where a tenth of these chances names it.
HEIGHT_LEVEL = 0.009
PLAN_LEVEL = 0.001
SURE = 0.1


@dataclass(frozen=True)
class SetupSteps:
    """Steps of all S setups: how far their sights put everything off, N, E, H in m.

    ``step`` (S, 3) and ``covariance`` (S, 3, 3), NaN where nothing tests it, as of a free
    station. ``named`` (n,) are the setups that look off, the clearest first; ``in_height``,
    ``in_plan`` (S,) say how, ``sure`` (S,) whether a tenth of the chance of a false name names it.
    """

    step: FloatArray
    covariance: FloatArray
    named: IntArray
    in_height: BoolArray
    in_plan: BoolArray
    sure: BoolArray

    @property
    def sd(self) -> FloatArray:
        """Return the standard deviations (S, 3) in m."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


def setup_steps(adjustment: Adjustment, suspects: Suspects | None = None) -> SetupSteps:
    """Estimate the step of every setup over a mark and name those that are off.

    Only suspected setups are, where ``suspects`` are given.
    """
    connections = adjustment.connections
    rows = np.flatnonzero(connections.plumb)
    count = len(adjustment.axis)
    known = place_shifts(adjustment, rows)
    info = replace(known, push=-known.push)  # turned: of the sights, not of the place
    first = last = solve_shifts(info)
    named: list[int] = []
    found = np.zeros((3, len(rows)), dtype=bool)  # in height, in plan, for sure
    cross, place = np.zeros((len(rows), 3, 0)), adjustment.rows.by_place[rows]
    while len(named) < len(rows):
        *how, clearest = _beyond(last, np.array(named, dtype=np.int64))
        if clearest < 0:
            break
        if suspects is not None and not suspects.setup[connections.setup[rows[clearest]]]:
            break
        found[:, clearest] = [part[clearest] for part in how]
        named.append(clearest)
        shift = place_shift(adjustment, rows[clearest : clearest + 1])
        own = cross_information(adjustment, shift, rows, place)
        cross = np.concatenate([cross, own], axis=2)
        left, push = freed(info, np.arange(len(rows)), named, cross)
        last = solve_shifts(Information(info.seen, left, push))
    setup = connections.setup[rows]
    step, covariance = np.full((count, 3), np.nan), np.full((count, 3, 3), np.nan)
    step[setup], covariance[setup] = first.difference, first.covariance
    flags = np.zeros((3, count), dtype=bool)
    flags[:, setup] = found
    chosen = setup[np.array(named, dtype=np.int64)]
    return SetupSteps(step, covariance, chosen, *flags)


def _beyond(shifts: Shifts, named: IntArray) -> tuple[BoolArray, BoolArray, BoolArray, int]:
    """Say which steps (k,) are beyond chance in height, in plan, surely; the clearest or -1."""
    chance_flat, chance_up = shifts.chances()
    chance_flat[shifts.plan_freedom < 2] = np.nan
    chance_up[named] = chance_flat[named] = np.nan
    high, wide = holm(chance_up, HEIGHT_LEVEL), holm(chance_flat, PLAN_LEVEL)
    sure = holm(chance_up, SURE * HEIGHT_LEVEL) | holm(chance_flat, SURE * PLAN_LEVEL)
    if not (high.any() or wide.any()):
        return high, wide, sure, -1
    least = np.fmin(np.where(high, chance_up, 1.0), np.where(wide, chance_flat, 1.0))
    return high, wide, sure, int(np.argmin(least))
