"""What each setup alone says about the marks that can tie it to others.

Takes the sights, gives ties: horizontal distance and rise from the instrument axis to
the mark, with the misfit that good work stays within. Marks that only one setup has
seen, and nothing else knows, tie nothing: `tieup.network.side_shots` places them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tieup.geometry import polar_offset
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs, fill_flags, no_flags
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights
from tieup.network.rigid import ComplexArray

PLAIN = 0.03  # metres; centring, a leaning pole, soft ground: common practice, no source
ANGULAR = 1e-4  # radians; the same for what turns
SURE = 5.0  # times the stated sd of a pointing
UNEVEN = 5e-4  # of a distance taken as level: the ground slopes by 2 degrees


@dataclass(frozen=True)
class Ties:
    """Sights of marks that may tie, and the occupied marks, in rows of shape (r,).

    ``sight`` is the row in `Sights`, -1 where the setup stands over the mark. ``direction``
    (rad), ``horizontal`` (m) and ``rise`` (m, mark minus axis) are NaN where not observed.
    ``across`` and ``along`` (m) are what good work stays within, square to the line of
    sight and along it; ``above`` the same in height. ``across`` is for the observed
    distance, or `UNMEASURED` without one. ``azimuth`` (r,): the direction is an azimuth.
    """

    sight: IntArray
    setup: IntArray
    point: IntArray
    direction: FloatArray
    horizontal: FloatArray
    rise: FloatArray
    sd: FloatArray
    azimuth: BoolArray = field(default_factory=no_flags)

    def __post_init__(self) -> None:
        """Fill in what was left empty."""
        fill_flags(self, len(self.sight), "azimuth")

    def __len__(self) -> int:
        return len(self.sight)

    def turn(self, orientation: FloatArray) -> FloatArray:
        """Return the azimuth of zero (r,) of each direction, of setups at ``orientation`` (S,)."""
        return np.where(self.azimuth, 0.0, orientation[self.setup])

    def without_azimuths(self, mixed: BoolArray) -> Ties:
        """Return the ties less the azimuths of setups (S,) that have circle readings beside."""
        out = self.azimuth & mixed[self.setup]
        return replace(self, direction=np.where(out, np.nan, self.direction))

    @property
    def plan(self) -> ComplexArray:
        """Return the place of each mark in its setup's own frame, NaN where not fixed."""
        place = self.horizontal * np.exp(1j * self.direction)
        return np.where(self.sight < 0, 0.0, place)

    @property
    def sharp(self) -> FloatArray:
        """Return what good directions stay within, shape (r,), rad, beside `PLAIN`."""
        return ANGULAR + SURE * self.sd[:, DIRECTION]

    @property
    def along(self) -> FloatArray:
        """Return what good distances stay within, shape (r,), m."""
        return PLAIN + SURE * self.sd[:, DISTANCE]

    @property
    def steep(self) -> FloatArray:
        """Return what good zenith angles stay within, shape (r,), rad, beside `PLAIN`."""
        return ANGULAR + SURE * self.sd[:, ZENITH]

    @property
    def tolerance(self) -> FloatArray:
        """Return what good work stays within in plan (m, shape (r,)), NaN without distance.

        It grows with the distance: of two places of a mark the nearer setup's is preferred.
        """
        along: FloatArray = SURE * self.sd[:, DISTANCE]
        return np.hypot(PLAIN + self.sharp * self.horizontal, along)

    def take(self, rows: IntArray | BoolArray) -> Ties:
        """Return the chosen rows."""
        return Ties(
            self.sight[rows],
            self.setup[rows],
            self.point[rows],
            self.direction[rows],
            self.horizontal[rows],
            self.rise[rows],
            self.sd[rows],
            self.azimuth[rows],
        )


def level_parts(sights: Sights, bend: float) -> tuple[FloatArray, FloatArray]:
    """Return horizontal distance and rise from axis to mark (m), each of shape (k,).

    A distance without zenith angle counts as level and gives no rise; without distance
    both are NaN. ``bend`` comes from `tieup.geometry.curvature_coefficient`.
    """
    zenith = sights.value[:, ZENITH]
    observed = np.isfinite(zenith)
    level = np.where(observed, zenith, 0.5 * np.pi)
    offset = polar_offset(0.0, level, sights.value[:, DISTANCE], bend)
    rise = np.where(observed, offset[:, 2] - sights.target_height, np.nan)
    return offset[:, 0], rise


def make_ties(
    sights: Sights,
    station: IntArray,
    instrument_height: FloatArray,
    known: BoolArray,
    level: tuple[FloatArray, FloatArray],
) -> Ties:
    """Gather the ties of all setups.

    Parameters
    ----------
    sights
        Reduced sights.
    station, instrument_height
        Shape (S,): occupied mark or -1; m or NaN.
    known
        Shape (P,): True where control or a link also speaks of the mark.
    level
        Horizontal distance and rise of every sight, from `level_parts`.
    """
    occupied = np.flatnonzero(station >= 0)
    can_tie = known | (_setups_per_point(sights, station, len(known)) > 1)
    rows = np.flatnonzero(can_tie[sights.point] & np.isfinite(sights.value).any(axis=1))
    sd = np.nan_to_num(sights.pointing_sd[rows])
    horizontal = level[0][rows]
    flat = ~np.isfinite(sights.value[rows, ZENITH]) & ~sights.level[rows]
    sd[flat, DISTANCE] += UNEVEN * np.nan_to_num(horizontal[flat])
    none = np.full(len(occupied), np.nan)
    exact = np.zeros(len(occupied))

    def both(of_sights: FloatArray, of_stations: FloatArray) -> FloatArray:
        return np.concatenate([of_sights, of_stations])

    return Ties(
        sight=np.concatenate([rows, np.full(len(occupied), -1)]),
        setup=np.concatenate([sights.setup[rows], occupied]),
        point=np.concatenate([sights.point[rows], station[occupied]]),
        direction=both(sights.value[rows, DIRECTION], none),
        horizontal=both(horizontal, exact),
        rise=both(level[1][rows], -instrument_height[occupied]),
        sd=np.concatenate([sd, np.zeros((len(occupied), 3))]),
        azimuth=np.concatenate([sights.azimuth[rows], np.zeros(len(occupied), dtype=np.bool_)]),
    )


def _setups_per_point(sights: Sights, station: IntArray, points: int) -> IntArray:
    """Return how many setups sight or occupy each point, shape (P,)."""
    occupied = np.flatnonzero(station >= 0)
    setup = np.concatenate([sights.setup, occupied])
    point = np.concatenate([sights.point, station[occupied]])
    pairs, _ = distinct_pairs(point, setup)
    return np.bincount(pairs[:, 0], minlength=points)
