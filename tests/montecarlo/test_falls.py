"""Falls and chainages along lines, and the verdicts on falls, against thousands of draws.

A line runs through the side shots of all three setups, S1 to S3, and a mark that two of them
have sighted: there are legs inside a setup, between a shot and the mark, and across joints.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest

from tests.montecarlo.judge import assert_mean, assert_promise, assert_share, assert_squares
from tests.montecarlo.sites import Setting, draws_of
from tests.montecarlo.stack import Stack, errors
from tieup.derive.chainage import chainages
from tieup.derive.legs import Legs, legs_of
from tieup.derive.measured_falls import Falls, falls_of, low_spots, verdicts
from tieup.derive.places import Places
from tieup.linework.site_lines import SiteLine
from tieup.model.arrays import BoolArray, FloatArray

pytestmark = pytest.mark.slow

CONFIDENCE = 0.95
LINE = ("101", "102", "", "201", "202", "301", "302", "103", "203", "303")  # "": the shared mark
DIP = 4  # the leg from 201 to 202


@dataclass(frozen=True)
class Drawn:
    """One line over all draws: what the tool says (of the first draw) and what came out.

    ``length``, ``drop`` (draws, legs) as adjusted, ``true_length``, ``true_drop`` (draws, legs)
    in the same frame; ``across`` (legs,) says which legs pass from one setup to another.
    """

    legs: Legs
    across: BoolArray
    length: FloatArray
    drop: FloatArray
    true_length: FloatArray
    true_drop: FloatArray
    chainage_sd: FloatArray

    def falls(self) -> FloatArray:
        """Return the adjusted falls minus the true ones."""
        return self.drop / self.length - self.true_drop / self.true_length


@lru_cache(maxsize=1)
def drawn_line(setting: Setting) -> Drawn:
    """Return the line of a setting."""
    stacks = draws_of(setting)
    first = stacks[0]
    numbers = [first.number(name) if name else _shared(first) for name in LINE]
    line = SiteLine("LINE", "LINE", "", (tuple(numbers),), (), ())
    names = tuple(str(i) for i in range(len(first.adjustment.position)))
    places = Places(first.adjustment, names, first.adjustment.position)
    legs = legs_of([line], places)
    found = np.concatenate([_read(_adjusted(stack), numbers) for stack in stacks])
    true = np.concatenate([_read(_adjusted(stack) - errors(stack)[1], numbers) for stack in stacks])
    setup_of = [first.names[n][0] if first.names[n].isdigit() else "" for n in numbers]
    across = np.array([bool(a and b) and a != b for a, b in pairwise(setup_of)])
    return Drawn(
        legs,
        across,
        found[:, 0],
        found[:, 1],
        true[:, 0],
        true[:, 1],
        chainages(line.parts, places)[1][0],
    )


def _shared(stack: Stack) -> int:
    """Return a mark that both S1 and S2 have sighted, one that is not held if there is any."""
    sights, count = stack.network.sights, len(stack.names)
    seen = [set(sights.point[sights.setup == setup].tolist()) for setup in (0, 1)]
    held = set(np.flatnonzero(stack.adjustment.problem.held_point.all(axis=1)).tolist())
    both = seen[0] & seen[1] & set(range(count))
    return int(min(both - held or both))


def _adjusted(stack: Stack) -> FloatArray:
    return stack.adjustment.position.reshape(stack.copies, -1, 3)


def _read(position: FloatArray, numbers: list[int]) -> FloatArray:
    """Return length and drop of the legs (draws, 2, legs)."""
    step = np.diff(position[:, numbers], axis=1)
    return np.stack([np.hypot(step[:, :, 0], step[:, :, 1]), -step[:, :, 2]], axis=1)


@pytest.mark.parametrize("where", ["within", "across"])
def test_falls_have_their_sd(setting: Setting, where: str) -> None:
    """Squares of the errors of falls over their variances have mean 1; 5 % too much would show."""
    drawn = drawn_line(setting)
    falls = falls_of(drawn.legs.length, drawn.legs.drop, drawn.legs.covariance)
    own = drawn.across if where == "across" else ~drawn.across
    assert own.sum() >= 4
    squares = (drawn.falls()[:, own] / falls.sd[own]) ** 2
    assert_squares(squares, 1.0)
    for leg in squares.T:
        assert_mean(leg, 1.0)


def test_lengths_and_drops_have_their_covariance(setting: Setting) -> None:
    """e' Q^-1 e of length and drop of every leg has mean 2."""
    drawn = drawn_line(setting)
    error = np.stack([drawn.length - drawn.true_length, drawn.drop - drawn.true_drop], axis=-1)
    inverse = np.linalg.inv(drawn.legs.covariance)
    assert_squares(np.einsum("dli,lij,dlj->dl", error, inverse, error), 2.0)


def test_chainages_have_their_sd(setting: Setting) -> None:
    """The length of the line up to each of its points, the whole of it at the last."""
    drawn = drawn_line(setting)
    error = np.cumsum(drawn.length - drawn.true_length, axis=1)
    for squares in ((error / drawn.chainage_sd[1:]) ** 2).T:
        assert_mean(squares, 1.0)


def test_falls_at_their_limit_fail_no_more_often_than_promised(setting: Setting) -> None:
    """The limit is the true fall: each leg alone fails in 5 % of the draws, and passes in 5 %.

    All legs as one check: at least one fails in no more than 5 %, and all pass hardly ever.
    """
    drawn = drawn_line(setting)
    sd = falls_of(drawn.legs.length, drawn.legs.drop, drawn.legs.covariance).sd
    found = np.array([_judged(error, sd) for error in drawn.falls()])
    assert_share(found == "fail", 1.0 - CONFIDENCE)
    assert_share(found == "pass", 1.0 - CONFIDENCE)
    away = np.array([verdicts(Falls(e, sd), 0.0, np.inf, CONFIDENCE) for e in drawn.falls()])
    anywhere = (away == "fail").any(axis=1).mean()
    assert anywhere < 1.0 - CONFIDENCE + 4 * (0.05 * 0.95 / len(away)) ** 0.5
    assert (away == "pass").all(axis=1).mean() < 0.01


def _judged(error: FloatArray, sd: FloatArray) -> FloatArray:
    """Return the verdict on each leg as a check of its own, its limit at the true fall."""
    alone = [Falls(error[i : i + 1], sd[i : i + 1]) for i in range(len(sd))]
    return np.concatenate([verdicts(one, 0.0, np.inf, CONFIDENCE) for one in alone])


def test_falls_far_from_their_limit_are_told(setting: Setting) -> None:
    """5 sds beyond the limit fails, 5 sds within passes, in all but a few of the draws.

    The chance to be missed is that of 5 - 1.645 sds, 4e-4 for each leg.
    """
    drawn = drawn_line(setting)
    sd = falls_of(drawn.legs.length, drawn.legs.drop, drawn.legs.covariance).sd
    for away, word in ((-5.0 * sd, "fail"), (5.0 * sd, "pass")):
        found = np.array([_judged(error + away, sd) for error in drawn.falls()[:1000]])
        assert (found == word).mean() > 0.998


def test_low_spots_are_true_ones(setting: Setting) -> None:
    """A level line has low spots by chance in well under 5 %; a dip of 6 sds is always found.

    The points of the line are put at the heights wanted; their errors are those of the draws.
    """
    drawn = drawn_line(setting)
    error = drawn.drop - drawn.true_drop
    sd = np.sqrt(drawn.legs.covariance[:, 1, 1])
    level = np.array([_low(drawn.legs, one) for one in error])
    assert level.mean() < 1.0 - CONFIDENCE
    edge = np.zeros(len(sd))
    edge[DIP] = 20.0 * sd[DIP]  # one neighbour far higher, the other level with the point
    beside = np.array([_low(drawn.legs, one + edge)[DIP] for one in error])
    assert_share(beside, 1.0 - CONFIDENCE)
    dip = np.zeros(len(sd))
    dip[DIP], dip[DIP + 1] = 6.0 * sd[DIP], -6.0 * sd[DIP + 1]
    assert np.mean([_low(drawn.legs, one + dip)[DIP] for one in error]) > 0.999


def _low(legs: Legs, drop: FloatArray) -> BoolArray:
    """Say for each leg whether a sure low spot lies at its end."""
    moved = Legs(legs.line, legs.part, legs.start, legs.end, legs.length, drop, legs.covariance)
    behind, words = low_spots(moved, CONFIDENCE)
    low = np.zeros(len(legs), dtype=bool)
    low[behind[words == "low"]] = True
    return low


def test_a_wrong_correlation_would_show(setting: Setting) -> None:
    """Sds as if heights were independent are wrong by more than 5 % for the legs inside setups.

    The counter-proof: without the joint covariance the promise breaks.
    """
    drawn = drawn_line(setting)
    first = draws_of(setting)[0].adjustment
    own = first.point_covariance[:, 2, 2]
    legs, inside = drawn.legs, ~drawn.across
    independent = own[legs.start] + own[legs.end]
    squares = (drawn.drop - drawn.true_drop)[:, inside] ** 2 / independent[inside]
    with pytest.raises(AssertionError):
        assert_promise(lambda factor: np.asarray(squares / factor**2), 1.0)
