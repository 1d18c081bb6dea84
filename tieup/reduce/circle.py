"""Rounds between which the horizontal circle was turned on purpose.

A circle turned between rounds moves every direction of a round by one angle. It
is told from a knocked instrument by its size: circles are turned by degrees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray, IntArray

TURNED = np.radians(0.1)  # rad; smaller offsets stay in the data and are tested
AGREEMENT = np.radians(60 / 3600)  # rad; common points must show the same turn


@dataclass(frozen=True)
class CircleTurn:
    """A turn (rad) of the circle from the first round of a setup to a later one."""

    setup: int
    round: int
    offset: float
    points: int


def find_turns(
    setup: IntArray, point: IntArray, round_: IntArray, direction: FloatArray
) -> tuple[CircleTurn, ...]:
    """Find the rounds whose directions (rad, face 1) all differ from the first by one angle.

    Needs two or more points common to both rounds: one point alone cannot tell a
    turned circle from a wrong pointing.
    """
    turns: list[CircleTurn] = []
    several = round_ != _first_round(setup, round_)
    for s in np.unique(setup[several]):
        rows = np.flatnonzero((setup == s) & np.isfinite(direction))
        if len(rows):
            turns += _turns_of_setup(int(s), point[rows], round_[rows], direction[rows])
    return tuple(turns)


def _first_round(setup: IntArray, round_: IntArray) -> IntArray:
    first = np.full(int(setup.max(initial=0)) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, setup, round_)
    return first[setup]


def _turns_of_setup(
    setup: int, point: IntArray, round_: IntArray, direction: FloatArray
) -> list[CircleTurn]:
    rounds = np.unique(round_)
    reference = {int(p): d for p, d in _round_means(point, direction, round_ == rounds[0])}
    found = []
    for number in rounds[1:]:
        means = _round_means(point, direction, round_ == number)
        steps = np.array([d - reference[p] for p, d in means if p in reference])
        if len(steps) < 2:
            continue
        steps = steps[0] + wrap_half(steps - steps[0])
        offset = float(wrap_half(np.median(steps)))
        agree = np.abs(wrap_half(steps - offset)) < AGREEMENT
        if abs(offset) > TURNED and agree.sum() >= max(2, 0.6 * len(steps)):
            found.append(CircleTurn(setup, int(number), offset, int(agree.sum())))
    return found


def _round_means(
    point: IntArray, direction: FloatArray, chosen: FloatArray
) -> list[tuple[int, float]]:
    """Return the first reading of each point of one round, points in order."""
    points, first = np.unique(point[chosen], return_index=True)
    return [(int(p), float(d)) for p, d in zip(points, direction[chosen][first], strict=True)]
