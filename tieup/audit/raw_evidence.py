"""What an audit looks at: the raw rows, reduced setup by setup, and the control list."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tieup.geometry import curvature_coefficient
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.model.control import Control
from tieup.model.fieldbook import Fieldbook
from tieup.model.observations import DISTANCE, ZENITH
from tieup.model.settings import Precision
from tieup.reduce.backsights import Closings, closings
from tieup.reduce.rounds import Pairs, find_pairs
from tieup.reduce.sights import Reduction, reduce_shots
from tieup.reduce.visits import Visits, find_visits


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
    def setups(self) -> tuple[str, ...]:
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
    def listed(self) -> BoolArray:
        """Mark the points (P,) that the control list knows."""
        return np.asarray(np.isfinite(self.known).any(axis=1))

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
        return np.asarray(several | self.listed)

    @cached_property
    def looks(self) -> tuple[IntArray, IntArray]:
        """Return setup and point of every setup's points, each once, its own station among them."""
        shots, own = self.fieldbook.shots, np.flatnonzero(self.station >= 0)
        setup = np.concatenate([shots.setup, own])
        points = np.concatenate([shots.point, self.station[own]])
        first, second = distinct_pairs(setup, points)[0].T
        return first, second

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
