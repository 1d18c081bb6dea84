"""The observation equations: predicted values and exact derivatives.

A connection joins one setup to one mark and carries three observations. There are
two kinds:

* a sight: direction, zenith angle, slope distance to a target above the mark;
* a plumb line: the axis of an occupied setup stands over its mark, at the booked
  instrument height. It makes centring and instrument height one common weighted
  unknown of the setup, because the axis itself is the unknown.

With d = target - axis (m; N, E, H), D = hypot(dN, dE), s = |d|:

    direction  atan2(dE, dN) - orientation; of an azimuth without the orientation, less the
               turn of its basis of bearings where it has one
    zenith     atan2(D, dH) + (1 - k) D / 2R
    distance   s; D where it was observed level

Every equation depends on coordinates through d only, so its derivative by the axis is
minus its derivative by the mark.

References: Ghilani, Adjustment Computations, observation equations of 3-D geodetic
networks in a local frame.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tieup.adjust.stacks import new_columns, new_stack
from tieup.geometry import wrap_half
from tieup.model.arrays import (
    BoolArray,
    FloatArray,
    IntArray,
    fill_flags,
    fill_numbers,
    no_flags,
    no_numbers,
)
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH

NO_TURNS = np.zeros(0)  # those of a site without bases of bearings


@dataclass(frozen=True)
class Connections:
    """Observed connections; c of them, sights first, then plumb lines.

    ``setup``, ``point`` (c,): what is joined. ``value`` (c, 3): rad, rad, m for sights; the
    offset axis minus mark (N, E, H in m) for plumb lines; NaN where not observed.
    ``rise`` (c,): target height above the mark (m), 0 for plumb lines. ``plumb`` (c,).
    ``source`` (c,): index of the sight or of the occupied setup. ``level``, ``azimuth``,
    ``basis`` (c,) as in `tieup.model.observations.Sights`; left empty, none is.
    """

    setup: IntArray
    point: IntArray
    value: FloatArray
    rise: FloatArray
    plumb: BoolArray
    source: IntArray
    level: BoolArray = field(default_factory=no_flags)
    azimuth: BoolArray = field(default_factory=no_flags)
    basis: IntArray = field(default_factory=no_numbers)

    def __post_init__(self) -> None:
        """Fill in what was left empty."""
        fill_flags(self, len(self.setup), "level", "azimuth")
        fill_numbers(self, len(self.setup), "basis")

    def __len__(self) -> int:
        return len(self.setup)

    def take(self, chosen: IntArray | BoolArray) -> Connections:
        """Return the chosen connections."""
        index = np.flatnonzero(chosen) if chosen.dtype == np.bool_ else chosen
        return Connections(
            self.setup[index],
            self.point[index],
            np.take(self.value, index, axis=0),  # far faster on rows than an index in brackets
            self.rise[index],
            self.plumb[index],
            self.source[index],
            self.level[index],
            self.azimuth[index],
            self.basis[index],
        )

    def part(self, part: slice) -> Connections:
        """Return a view of consecutive connections."""
        return Connections(
            self.setup[part],
            self.point[part],
            self.value[part],
            self.rise[part],
            self.plumb[part],
            self.source[part],
            self.level[part],
            self.azimuth[part],
            self.basis[part],
        )

    @property
    def turning(self) -> BoolArray:
        """Return which connections (c,) turn with the circle of their setup."""
        return np.asarray(~self.plumb & ~self.azimuth)

    @property
    def based(self) -> IntArray:
        """Return the connections (b,) that turn with a basis of bearings."""
        return np.flatnonzero(self.basis >= 0)


@dataclass(frozen=True)
class Linearised:
    """Misclosure (c, 3) observed minus predicted, and derivatives at one set of values.

    ``by_mark`` (c, 3, 3): rows direction, zenith, distance by N, E, H of the mark.
    The derivative by the axis is its negative, by the orientation ``-1`` for the
    direction of a sight (``turns`` (c,) is 1 there, 0 for plumb lines and azimuths).
    """

    misclosure: FloatArray
    by_mark: FloatArray
    turns: FloatArray


def linearise(
    connections: Connections,
    axis: FloatArray,
    orientation: FloatArray,
    position: FloatArray,
    bend: float,
    turn: FloatArray = NO_TURNS,
) -> Linearised:
    """Evaluate all equations at axis (S, 3), orientation (S,), position (P, 3); m and rad.

    ``bend`` is `tieup.geometry.curvature_coefficient`, ``turn`` (g,) what is added to the
    azimuths of each basis of bearings. Misclosures of directions are
    brought into [-pi, pi).
    """
    offset = offsets(connections, axis, position)
    predicted, by_mark = _sight(offset, bend)
    _level(connections.level, offset, predicted, by_mark)
    turns = connections.turning.astype(np.float64)
    misclosure = new_columns(len(connections), 3)
    np.subtract(connections.value, predicted, out=misclosure)
    turned = misclosure[:, DIRECTION] + turns * orientation[connections.setup]
    based = connections.based
    turned[based] += turn[connections.basis[based]]
    misclosure[:, DIRECTION] = wrap_half(turned)
    plumb = np.flatnonzero(connections.plumb)
    misclosure[plumb] = connections.value[plumb] + offset[plumb]
    by_mark[plumb] = -np.eye(3)
    return Linearised(misclosure, by_mark, turns)


def offsets(connections: Connections, axis: FloatArray, position: FloatArray) -> FloatArray:
    """Return target minus axis (c, 3) in m."""
    offset = new_columns(len(connections), 3)
    for component in range(3):
        ends = position[:, component], axis[:, component]
        offset[:, component] = ends[0][connections.point] - ends[1][connections.setup]
    offset[:, 2] += connections.rise
    return offset


def _level(
    level: BoolArray, offset: FloatArray, predicted: FloatArray, by_mark: FloatArray
) -> None:
    """Put the horizontal distance and its derivative in place of the slope where ``level``."""
    rows = np.flatnonzero(level)
    if not len(rows):
        return
    plan = np.sqrt(np.maximum(offset[rows, 0] ** 2 + offset[rows, 1] ** 2, 1e-12))
    predicted[rows, DISTANCE] = plan
    by_mark[rows, DISTANCE, :2] = offset[rows, :2] / plan[:, None]
    by_mark[rows, DISTANCE, 2] = 0.0


def _sight(offset: FloatArray, bend: float) -> tuple[FloatArray, FloatArray]:
    """Return azimuth, zenith angle, distance (n, 3) of offsets (n, 3) and derivatives."""
    north, east, height = offset.T
    square = np.maximum(north**2 + east**2, 1e-12)
    plan = np.sqrt(square)
    slope_square = square + height**2
    slope = np.sqrt(slope_square)
    predicted = new_columns(len(offset), 3)
    predicted[:, DIRECTION] = np.arctan2(east, north)
    predicted[:, ZENITH] = np.arctan2(plan, height) + bend * plan
    predicted[:, DISTANCE] = slope
    derivative = new_stack(len(offset), 3, 3)
    derivative[:, DIRECTION, 0] = -east / square
    derivative[:, DIRECTION, 1] = north / square
    along = height / (slope_square * plan) + bend / plan
    derivative[:, ZENITH, 0] = north * along
    derivative[:, ZENITH, 1] = east * along
    derivative[:, ZENITH, 2] = -plan / slope_square
    for component, part in enumerate((north, east, height)):
        derivative[:, DISTANCE, component] = part / slope
    return predicted, derivative
