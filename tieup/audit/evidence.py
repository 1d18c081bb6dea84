"""What an audit looks at: the raw rows, reduced setup by setup, and the control list."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tieup.geometry import curvature_coefficient
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Fieldbook
from tieup.model.observations import DISTANCE, ZENITH
from tieup.model.settings import Precision
from tieup.reduce.rounds import Pairs, find_pairs
from tieup.reduce.sights import Reduction, reduce_shots
from tieup.ties.backsights import Closings, closings
from tieup.ties.visits import Visits, find_visits


@dataclass(frozen=True)
class RawEvidence:
    """The raw rows of a job and what can be said of them without a solution.

    ``control`` is None in a job without a list. ``angle_unit`` is the unit that job.yaml
    states, ``refraction`` the coefficient k.
    """

    fieldbook: Fieldbook
    control: Control | None
    precision: Precision
    refraction: float
    angle_unit: str

    @property
    def labels(self) -> tuple[str, ...]:
        """Return the labels of the setups."""
        return tuple(setup.label for setup in self.fieldbook.setups)

    @cached_property
    def reduction(self) -> Reduction:
        """Return the rows reduced to sights, copies left out."""
        book = self.fieldbook
        use = np.repeat(~book.shots.repeated[:, None], 3, axis=1)
        return reduce_shots(book.shots, book.setups, self.precision, use)

    @cached_property
    def visits(self) -> Visits:
        """Return the pointings that follow one another on one point."""
        return find_visits(self.fieldbook.shots, self.reduction.pointings, self.reduction.sights)

    @cached_property
    def face_pairs(self) -> Pairs:
        """Return the pointings of one mark in both faces."""
        reduction = self.reduction
        return find_pairs(self.fieldbook.shots, reduction.pointings, reduction.sights)

    @cached_property
    def closings(self) -> Closings:
        """Return first against last look at every mark a setup came back to."""
        return closings(self.visits, self.fieldbook.shots.role, self.precision)

    @cached_property
    def points(self) -> tuple[str, ...]:
        """Return the names of all points, marks that were only occupied behind the sighted ones."""
        stations = [setup.station for setup in self.fieldbook.setups if setup.station]
        return tuple(dict.fromkeys([*self.fieldbook.points, *stations]))

    @cached_property
    def known(self) -> FloatArray:
        """Return the control coordinates of every point (P, 3) in m, NaN where unknown."""
        known = np.full((len(self.points), 3), np.nan)
        if self.control is not None:
            place = {name: row for row, name in enumerate(self.control.names)}
            for point, name in enumerate(self.points):
                if name in place:
                    known[point] = self.control.coordinates[place[name]]
        return known

    @cached_property
    def station(self) -> IntArray:
        """Return the point each setup stands on (S,), -1 where it is free."""
        number = {name: point for point, name in enumerate(self.points)}
        return np.array(
            [number.get(setup.station, -1) for setup in self.fieldbook.setups], dtype=np.int64
        )

    @cached_property
    def shared(self) -> BoolArray:
        """Mark the points (P,) that more than one setup saw or stood on, or that are control."""
        several = np.bincount(self.looks[1], minlength=len(self.points)) > 1
        return np.asarray(several | np.isfinite(self.known).any(axis=1))

    @cached_property
    def looks(self) -> tuple[IntArray, IntArray]:
        """Return setup and point of every setup's points, each once, its own station among them."""
        shots, own = self.fieldbook.shots, np.flatnonzero(self.station >= 0)
        setup = np.concatenate([shots.setup, own])
        return distinct_pairs(setup, np.concatenate([shots.point, self.station[own]]))

    @cached_property
    def rise(self) -> FloatArray:
        """Return the height of each shot's mark over the axis (m,) in m, NaN where not measured.

        ``rise = s cos z + (1 - k) D^2 / 2R - target height`` with D the horizontal distance.
        """
        corrected = self.reduction.pointings.corrected
        distance, zenith = corrected[:, DISTANCE], corrected[:, ZENITH]
        level = distance * np.sin(zenith)
        bend = curvature_coefficient(self.refraction) * level**2
        return distance * np.cos(zenith) + bend - self.fieldbook.shots.target_height

    def named(self, setup: IntArray, point: IntArray) -> tuple[str, ...]:
        """Return "setup to point" of pairs of numbers."""
        labels, points = self.labels, self.points
        pairs = zip(setup.tolist(), point.tolist(), strict=True)
        return tuple(f"{labels[s]} to {points[p]}" for s, p in pairs)


def distinct_pairs(first: IntArray, second: IntArray) -> tuple[IntArray, IntArray]:
    """Return every pair of numbers (0 and up, m each) once, in order."""
    span = int(second.max(initial=0)) + 1
    pairs = np.unique(first * span + second)
    return pairs // span, pairs % span


def group_extreme(value: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """Return the largest ``value`` (m,) of each group (groups,), NaN where there is none."""
    known = np.isfinite(value)
    largest = np.full(groups, -np.inf)
    np.maximum.at(largest, group[known], value[known])
    return np.where(np.isfinite(largest), largest, np.nan)


def group_median(value: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """Return the median of the finite values (m,) of each group (groups,), NaN without any."""
    known = np.isfinite(value)
    order = np.lexsort((value[known], group[known]))
    ordered, count = value[known][order], np.bincount(group[known], minlength=groups)
    first = np.cumsum(count) - count
    median = np.full(groups, np.nan)
    some = count > 0
    low, high = first + (count - 1) // 2, first + count // 2
    median[some] = 0.5 * (ordered[low[some]] + ordered[high[some]])
    return median
