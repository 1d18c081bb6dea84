"""What the raw rows of each setup say against themselves: faces, closing looks, reach.

An audit measures these before there is a solution, and the rules of a site after: one set of
functions for both, so that one name is one number with one distance for its limit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.reduce.backsights import Closings
from tieup.reduce.grouping import rows_by_group
from tieup.reduce.groups import group_extreme
from tieup.reduce.measured import Collector, Measured
from tieup.reduce.rounds import Pairs, count_pairs, pairs_of_setups
from tieup.reduce.visits import Visits

MOST_PAIRS = 40  # face pairs of a setup compared with each other
NO_PAIRS = "no mark pointed in both faces"


class Pointed(Protocol):
    """What was pointed at: before there is a solution, or after."""

    @property
    def setups(self) -> tuple[str, ...]:
        """Return the labels of the setups."""

    @property
    def points(self) -> tuple[str, ...]:
        """Return the names of the points."""

    @property
    def visits(self) -> Visits:
        """Return what was pointed at one after the other."""

    @property
    def face_pairs(self) -> Pairs:
        """Return the pointings of one mark in both faces."""

    @property
    def closings(self) -> Closings:
        """Return first against last look at marks."""

    @property
    def shared(self) -> BoolArray:
        """Mark the points (P,) that control or more than one setup knows."""

    @property
    def listed(self) -> BoolArray:
        """Mark the points (P,) that the control list knows."""


Quantity = Callable[[Pointed], Measured]


def sight_names(pointed: Pointed, setup: IntArray, point: IntArray) -> tuple[str, ...]:
    """Return "setup to point" of pairs of numbers."""
    pairs = zip(setup.tolist(), point.tolist(), strict=True)
    return tuple(f"{pointed.setups[s]} to {pointed.points[p]}" for s, p in pairs)


def closing_looks(pointed: Pointed) -> Measured:
    """Count the marks that each setup came back to."""
    count = np.bincount(pointed.closings.setup, minlength=len(pointed.setups))
    out = Collector("")
    for label, value in zip(pointed.setups, count.tolist(), strict=True):
        out.add(label, float(value))
    return out.done()


def _closing(pointed: Pointed, column: int) -> Measured:
    """Return a change of the backsight, closing minus opening, of every setup."""
    closings = pointed.closings
    out = Collector("no closing look at its backsight")
    rows = np.flatnonzero(closings.backsight)
    closed = set(closings.setup[rows].tolist())
    for s, label in enumerate(pointed.setups):
        if s not in closed:
            out.add(label, np.nan)
    names = sight_names(pointed, closings.setup[rows], closings.point[rows])
    for name, row in zip(names, rows.tolist(), strict=True):
        out.add(name, float(closings.change[row, column]), float(closings.distance[row]))
    return out.done()


def closing_direction(pointed: Pointed) -> Measured:
    """Return the change of direction (rad) of the backsight, closing minus opening."""
    return _closing(pointed, 0)


def closing_distance(pointed: Pointed) -> Measured:
    """Return the change of distance (m) of the backsight, closing minus opening."""
    return _closing(pointed, 1)


def closing_height(pointed: Pointed) -> Measured:
    """Return the change of height (m) of the backsight, closing minus opening."""
    return _closing(pointed, 2)


def _mean(pointed: Pointed, column: int) -> Measured:
    """Return half the mean of 2c or 2i (rad) over the pairs of each setup."""
    means = pairs_of_setups(pointed.face_pairs, len(pointed.setups)).mean[:, column]
    out = Collector(NO_PAIRS)
    for label, value in zip(pointed.setups, means.tolist(), strict=True):
        out.add(label, abs(value) / 2.0)
    return out.done()


def collimation(pointed: Pointed) -> Measured:
    """Return the mean collimation error (rad) of each setup."""
    return _mean(pointed, 0)


def vertical_index(pointed: Pointed) -> Measured:
    """Return the mean vertical index error (rad) of each setup."""
    return _mean(pointed, 1)


def _spread(pointed: Pointed, two: FloatArray) -> Measured:
    """Return how far apart any two face pairs of a setup are, at the shorter distance.

    A limit that is wider at short range is wide for the two nearest pairs only: the largest less
    the smallest may pass where two farther ones do not.
    """
    pairs = pointed.face_pairs
    out = Collector("fewer than two marks pointed in both faces")
    defined = np.flatnonzero(np.isfinite(two))
    groups = rows_by_group(pairs.setup[defined], len(pointed.setups))
    for label, rows in zip(pointed.setups, groups, strict=True):
        own = defined[rows]
        if len(own) < 2:
            out.add(label, np.nan)
            continue
        away = np.abs(two[own] - np.median(two[own]))
        own = own[np.argsort(-away, kind="stable")[:MOST_PAIRS]]
        i, j = np.triu_indices(len(own), 1)
        apart = np.abs(two[own[i]] - two[own[j]])
        nearer = np.fmin(pairs.away[own[i]], pairs.away[own[j]])
        for value, distance in zip(apart.tolist(), nearer.tolist(), strict=True):
            out.add(label, value, distance)
    return out.done()


def collimation_spread(pointed: Pointed) -> Measured:
    """Return the spread of 2c (rad) within each setup."""
    return _spread(pointed, pointed.face_pairs.two_c)


def index_spread(pointed: Pointed) -> Measured:
    """Return the spread of 2i (rad) within each setup."""
    return _spread(pointed, pointed.face_pairs.two_i)


def face_distance(pointed: Pointed) -> Measured:
    """Return the distance (m) in face 2 minus that in face 1, pair by pair."""
    pairs = pointed.face_pairs
    both = np.flatnonzero(np.isfinite(pairs.distance))
    out = Collector(NO_PAIRS)
    paired = set(pairs.setup[both].tolist())
    for s, label in enumerate(pointed.setups):
        if s not in paired:
            out.add(label, np.nan)
    names = sight_names(pointed, pairs.setup[both], pairs.point[both])
    values = zip(names, pairs.distance[both].tolist(), pairs.away[both].tolist(), strict=True)
    for name, value, away in values:
        out.add(name, value, away)
    return out.done()


def control_face_pairs(pointed: Pointed) -> Measured:
    """Count the face pairs at each setup's sights of control marks."""
    visits = pointed.visits
    own = np.flatnonzero(pointed.listed[visits.point])
    setup, point = distinct_pairs(visits.setup[own], visits.point[own])[0].T
    out = Collector("no control mark was sighted")
    names = sight_names(pointed, setup, point)
    for name, count in zip(names, count_pairs(pointed.face_pairs, setup, point), strict=True):
        out.add(name, float(count))
    return out.done()


def longest(pointed: Pointed, chosen: BoolArray) -> FloatArray:
    """Return the longest slope distance (S,) of each setup to the ``chosen`` points (P,), m.

    NaN where none was measured.
    """
    visits, setups = pointed.visits, len(pointed.setups)
    own = np.flatnonzero(chosen[visits.point])
    return group_extreme(visits.distance[own], visits.setup[own], setups)


def reach(pointed: Pointed) -> Measured:
    """Return the longest shot of each setup over its longest sight of a mark in common."""
    shots, marks = longest(pointed, ~pointed.shared), longest(pointed, pointed.shared)
    out = Collector("no distance to a mark in common")
    for label, work, mark in zip(pointed.setups, shots.tolist(), marks.tolist(), strict=True):
        if np.isfinite(work):
            out.add(label, work / mark)
    return out.done()


QUANTITIES: dict[str, Quantity] = {
    "closing_looks": closing_looks,
    "closing_direction": closing_direction,
    "closing_distance": closing_distance,
    "closing_height": closing_height,
    "collimation": collimation,
    "vertical_index": vertical_index,
    "collimation_spread": collimation_spread,
    "index_spread": index_spread,
    "face_distance": face_distance,
    "control_face_pairs": control_face_pairs,
    "reach": reach,
}
