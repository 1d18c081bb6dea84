"""Number the marks, place control and links among them, and take the origin off."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.control import Control, Correlated, uncorrelated
from tieup.model.fieldbook import Setup
from tieup.model.network import Links, Vectors
from tieup.model.observations import ZENITH, Sights
from tieup.model.settings import Datum
from tieup.network.horizontal_blocks import CONTROL_WEIGHT, HorizontalControl


@dataclass(frozen=True)
class Assembly:
    """Everything a network holds but its start values; see `tieup.model.network.Network`."""

    labels: tuple[str, ...]
    points: tuple[str, ...]
    station: IntArray
    instrument_height: FloatArray
    sights: Sights
    control: FloatArray
    control_sd: FloatArray
    links: Links
    origin: FloatArray
    correlated: Correlated

    @property
    def known(self) -> BoolArray:
        """Tell of which points control or a link speaks, shape (P,)."""
        known: BoolArray = np.asarray(np.isfinite(self.control).any(axis=1))
        known[self.links.start] = True
        known[self.links.end] = True
        return known

    @property
    def anchors(self) -> HorizontalControl:
        """Return the marks with known northing and easting."""
        marks = np.flatnonzero(np.isfinite(self.control[:, :2]).all(axis=1))
        place = self.control[marks, 0] + 1j * self.control[marks, 1]
        sd = self.control_sd[marks, :2].max(axis=1, initial=0.0)
        return HorizontalControl(marks, place, sd, np.full(len(marks), CONTROL_WEIGHT))

    @property
    def levelled(self) -> BoolArray:
        """Tell which setups have zenith angles, shape (S,)."""
        measured = np.isfinite(self.sights.value[:, ZENITH])
        return np.bincount(self.sights.setup[measured], minlength=len(self.labels)) > 0

    @cached_property
    def vectors(self) -> Vectors:
        """Return the observed vectors between marks."""
        return self.links.vectors()

    def levels(self, placed: BoolArray) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
        """Return start, end, height difference and sd (m) of what carries heights.

        Level lines, and vectors between marks that are ``placed`` (P,) in plan.
        """
        lines = self.links.take(np.flatnonzero(~self.links.in_plan))
        vectors = self.vectors
        whole = placed[vectors.start] & placed[vectors.end]
        return (
            np.concatenate([lines.start, vectors.start[whole]]),
            np.concatenate([lines.end, vectors.end[whole]]),
            np.concatenate([lines.value, vectors.offset[whole, 2]]),
            np.concatenate([lines.sd, vectors.sd[whole, 2]]),
        )


def assemble(
    setups: tuple[Setup, ...],
    points: tuple[str, ...],
    sights: Sights,
    control: Control | None,
    links: Links | None,
    datum: Datum,
) -> Assembly:
    """Number everything; names of control and of occupied marks are added to ``points``."""
    occupied = [setup.station for setup in setups if setup.station]
    listed = control.names if control is not None else ()
    names = tuple(dict.fromkeys((*points, *listed, *occupied)))
    number = {name: index for index, name in enumerate(names)}
    known, known_sd = _place_control(control, number)
    origin = _origin(known, datum)
    return Assembly(
        labels=tuple(setup.label for setup in setups),
        points=names,
        station=np.array([number.get(setup.station, -1) for setup in setups], dtype=np.int64),
        instrument_height=np.array([setup.instrument_height for setup in setups], dtype=np.float64),
        sights=sights,
        control=known - origin,
        control_sd=known_sd,
        links=no_links() if links is None else links,
        origin=origin,
        correlated=_correlated(control, number),
    )


def no_links() -> Links:
    """Return an empty table of links."""
    none, number = np.zeros(0), np.zeros(0, dtype=np.int64)
    return Links(np.zeros(0, dtype=object), number, number, none, none)


def _correlated(control: Control | None, number: dict[str, int]) -> Correlated:
    """Return the covariance between control coordinates, its marks numbered as points."""
    if control is None or not len(control.correlated.marks):
        return uncorrelated()
    names = [control.names[row] for row in control.correlated.marks.tolist()]
    marks = np.array([number[name] for name in names], dtype=np.int64)
    return Correlated(marks, control.correlated.covariance)


def _place_control(
    control: Control | None, number: dict[str, int]
) -> tuple[FloatArray, FloatArray]:
    known, sd = np.full((len(number), 3), np.nan), np.full((len(number), 3), np.nan)
    if control is not None and control.names:
        rows = np.array([number[name] for name in control.names], dtype=np.int64)
        given = np.isfinite(control.coordinates)
        known[rows] = control.coordinates
        sd[rows] = np.where(given, np.nan_to_num(control.sd), np.nan)
    return known, sd


def _origin(known: FloatArray, datum: Datum) -> FloatArray:
    """Return whole metres near the site: the middle of control, or the local mark."""
    origin = np.zeros(3)
    if datum.local is not None:
        origin = np.array([datum.local.northing, datum.local.easting, datum.local.elevation])
    else:
        for axis in range(3):
            values = known[np.isfinite(known[:, axis]), axis]
            origin[axis] = np.median(values) if len(values) else 0.0
    rounded: FloatArray = np.round(origin)
    return rounded
