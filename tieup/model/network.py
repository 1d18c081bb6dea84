"""The network: marks, setups, what connects them, and where the solution starts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.control import Correlated, uncorrelated
from tieup.model.link_kinds import fixed_rows, of_kind, predicted
from tieup.model.observations import Sights


@dataclass(frozen=True)
class Links:
    """Observations straight between two marks, shape (l,), independent of each other.

    ``kind`` is a name of `tieup.model.link_kinds.LINK_KINDS`. ``value`` (m) is ``along`` (l, 3)
    times the offset from ``start`` to ``end``, or a horizontal distance; ``sd`` in m. ``booked``
    (l,) numbers the rows of the lists: one that gives several observations, as a vector does, has
    as many links, one behind the other. Left empty, every link is booked by itself and has the
    row of its kind.
    """

    kind: TextArray
    start: IntArray
    end: IntArray
    value: FloatArray
    sd: FloatArray
    along: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    booked: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def __post_init__(self) -> None:
        """Fill in what was left empty."""
        if len(self.along) != len(self.kind):
            object.__setattr__(self, "along", fixed_rows(self.kind))
        if len(self.booked) != len(self.kind):
            object.__setattr__(self, "booked", np.arange(len(self.kind)))

    @property
    def is_distance(self) -> BoolArray:
        """Return which links (l,) are horizontal distances."""
        return of_kind(self.kind, "is_distance")

    @property
    def in_plan(self) -> BoolArray:
        """Return which links (l,) need a place of both marks in plan."""
        return of_kind(self.kind, "places")

    @property
    def in_height(self) -> BoolArray:
        """Return which links (l,) need a height of both marks."""
        return np.asarray(self.along[:, 2] != 0.0)

    def predicted(self, position: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what is expected (l,) at ``position`` (P, 3), and rows by the end (l, 3)."""
        return predicted(self.along, self.is_distance, position[self.end] - position[self.start])

    def take(self, rows: IntArray | BoolArray) -> Links:
        """Return the chosen links."""
        return Links(*(column[rows] for column in vars(self).values()))

    def joined(self, more: Links) -> Links:
        """Return these links with ``more`` behind them."""
        both = zip(vars(self).values(), vars(more).values(), strict=True)
        return Links(*(np.concatenate(pair) for pair in both))

    def vectors(self) -> Vectors:
        """Return the vectors among the links."""
        rows = np.flatnonzero(of_kind(self.kind, "is_vector"))
        first, blocks = rows[::3], self.along[rows].reshape(-1, 3, 3)
        back = np.linalg.inv(blocks)
        offset = (back @ self.value[rows].reshape(-1, 3, 1))[:, :, 0]
        half = back * self.sd[rows].reshape(-1, 1, 3)
        covariance = half @ half.transpose(0, 2, 1)
        return Vectors(first, self.start[first], self.end[first], offset, covariance)


@dataclass(frozen=True)
class Vectors:
    """Observed vectors between marks, shape (v,): baselines.

    ``row`` is the first of each one's three links, ``offset`` (v, 3) N, E, H from ``start`` to
    ``end`` in m, ``covariance`` (v, 3, 3) in m^2.
    """

    row: IntArray
    start: IntArray
    end: IntArray
    offset: FloatArray
    covariance: FloatArray

    def __len__(self) -> int:
        return len(self.row)

    def take(self, rows: IntArray | BoolArray) -> Vectors:
        """Return the chosen vectors."""
        return Vectors(*(column[rows] for column in vars(self).values()))

    @property
    def sd(self) -> FloatArray:
        """Return the sds (v, 3) in m."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


@dataclass(frozen=True)
class Start:
    """Approximate values (m, rad) and what could be reached.

    ``axis`` (S, 3) is the trunnion axis of each setup, ``orientation`` (S,) the azimuth of
    its circle zero, ``position`` (P, 3) the marks; NaN where unknown.
    ``plan_setup``/``height_setup`` (S,) and ``plan_point``/``height_point`` (P,) say what
    the observations determine. Where a plan position is determined but no height, the third
    coordinate is a stand-in that makes slope distances level out: relative where zenith
    angles tell, else level with the instrument. ``component`` (S,) numbers the connected
    pieces, 0 the piece that is solved.

    What misses the start by so much that it cannot enter the first solution: ``gross``
    (k, 3) components of sights, ``gross_station`` (S, 2) the occupied mark in plan and in
    height, ``gross_control`` (P, 3) control coordinates, ``gross_link`` (l,) links; the last
    three are empty where nobody looked. Control that is not gross has its known
    coordinates as ``position``. ``turn`` (g,) is what is added to the azimuths of each basis of
    bearings (rad), NaN where nothing shows it.
    """

    axis: FloatArray
    orientation: FloatArray
    position: FloatArray
    plan_setup: BoolArray
    height_setup: BoolArray
    plan_point: BoolArray
    height_point: BoolArray
    component: IntArray
    gross: BoolArray
    gross_station: BoolArray = field(default_factory=lambda: np.zeros((0, 2), dtype=np.bool_))
    gross_control: BoolArray = field(default_factory=lambda: np.zeros((0, 3), dtype=np.bool_))
    gross_link: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    turn: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class Network:
    """Everything the adjustment needs, as arrays.

    S setups, P points. ``station`` (S,) is the index of the occupied mark or -1;
    ``instrument_height`` (S,) in metres, NaN when none was booked. ``control`` and
    ``control_sd`` (P, 3) are N, E, H in metres, NaN where nothing is known, sd 0 where
    held. ``origin`` (3,) has been subtracted from every coordinate inside. ``correlated`` is the
    covariance between control coordinates.
    """

    setup_labels: tuple[str, ...]
    point_names: tuple[str, ...]
    station: IntArray
    instrument_height: FloatArray
    sights: Sights
    control: FloatArray
    control_sd: FloatArray
    links: Links
    origin: FloatArray
    start: Start
    correlated: Correlated = field(default_factory=uncorrelated)
