"""What a job states about its gear, its frame and its limits. SI and radians."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from tieup.geometry import ARC_SECOND, EARTH_RADIUS

DEFAULT_INSTRUMENT = "default"  # of rows that name none


@dataclass(frozen=True)
class Light:
    """What a distance meter measures with: group ``refractivity`` (ppm) it turns time into
    distance with, and the ``carrier`` wavelength in vacuum (micrometres).
    """

    refractivity: float
    carrier: float


@dataclass(frozen=True)
class Air:
    """The air where a row has no weather of its own: degrees C, hPa (NaN: not known), per cent.

    Humidity matters little (0.4 ppm at 15 degrees); 60 per cent is common practice, no source.
    """

    temperature: float = math.nan
    pressure: float = math.nan
    humidity: float = 60.0


@dataclass(frozen=True)
class Grid:
    """The map grid that a job's control stands on, near ``centre`` (N, E, H in m).

    ``scale``: coefficients of 1, n, e, n^2, n e, e^2 of the projection's point scale, n and e
    counted from the centre in units of ``reach`` (m). With ``reduces_height`` a distance at
    elevation H shrinks by R / (R + H + separation), ``radius`` R and ``separation`` in m.
    ``words`` says what it is.
    """

    centre: tuple[float, float, float]
    scale: tuple[float, float, float, float, float, float] = (1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    reach: float = 1000.0
    reduces_height: bool = False
    separation: float = 0.0
    radius: float = EARTH_RADIUS
    words: str = ""


@dataclass(frozen=True)
class GridWish:
    """What job.yaml says of the grid: a ``crs``, or a ``scale`` at the site.

    ``sea_level``: reduce distances for their height; ``separation`` (m) of the geoid is added
    to elevations.
    """

    crs: str = ""
    scale: float = 1.0
    sea_level: bool = False
    separation: float = 0.0


@dataclass(frozen=True)
class Instrument:
    """What is stated about an instrument.

    Standard deviations (1 sd) of one pointing in one face: ``direction``, ``zenith`` in
    radians; a distance D has ``distance_constant + distance_ppm * 1e-6 * D`` metres.
    ``prism_constant`` (m) is added to distances of rows that have none of their own,
    ``target_constants`` (m) take its place by kind of target. Distances are multiplied by
    ``scale``; with ``light`` they are reduced for the weather.
    """

    direction: float = 2.0 * ARC_SECOND
    zenith: float = 2.0 * ARC_SECOND
    distance_constant: float = 0.0015
    distance_ppm: float = 2.0
    prism_constant: float = 0.0
    target_constants: Mapping[str, float] = field(default_factory=dict)
    scale: float = 1.0
    light: Light | None = None


@dataclass(frozen=True)
class SetLimits:
    """How far a set may lie from the mean of all sets (rad, rad, m) before it is rejected.

    An angle is never asked to be finer than ``offset`` (m) at the target.
    """

    direction: float
    zenith: float
    distance: float
    offset: float = 0.0


@dataclass(frozen=True)
class StandingTargets:
    """Which targets stand untouched: a later look at them is no new set-up.

    ``everywhere``: all of them, all day; ``points``: the marks with these numbers, all day. With
    ``in_setups`` every target stands as long as one setup looks at it.
    """

    everywhere: bool = False
    points: frozenset[int] = frozenset()
    in_setups: bool = False


@dataclass(frozen=True)
class Precision:
    """Stated precision and corrections of everything measured; lengths in metres, 1 sd.

    Centring is the plan error of instrument or target over its mark, per
    horizontal component; heights that of the booked instrument or pole height. ``air`` is
    what rows without weather are taken to be shot in, ``grid`` what the distances are
    reduced to, ``set_limits`` what a set may differ from the mean of all, ``standing`` which
    targets are not set up anew for a later look.
    """

    instruments: Mapping[str, Instrument] = field(
        default_factory=lambda: {DEFAULT_INSTRUMENT: Instrument()}
    )
    centring_instrument: float = 0.0005
    centring_target: float = 0.001
    height_instrument: float = 0.001
    height_target: float = 0.001
    air: Air = Air()
    grid: Grid | None = None
    set_limits: SetLimits | None = None
    standing: StandingTargets = StandingTargets()

    def scattering(self, factors: Sequence[float]) -> Precision:
        """Return the same with variances times ``factors`` (5,).

        Of directions, zenith angles, distances, centring and heights.
        """
        direction, zenith, distance, centring, height = (math.sqrt(f) for f in factors)
        instruments = {
            name: replace(
                one,
                direction=one.direction * direction,
                zenith=one.zenith * zenith,
                distance_constant=one.distance_constant * distance,
                distance_ppm=one.distance_ppm * distance,
            )
            for name, one in self.instruments.items()
        }
        return replace(
            self,
            instruments=instruments,
            centring_instrument=self.centring_instrument * centring,
            centring_target=self.centring_target * centring,
            height_instrument=self.height_instrument * height,
            height_target=self.height_target * height,
        )

    def with_targets_standing(self) -> Precision:
        """Return the same for targets that stand as long as one setup looks at them."""
        return replace(self, standing=replace(self.standing, in_setups=True))


@dataclass(frozen=True)
class LocalDatum:
    """A local frame: one mark's coordinates (m) and the azimuth (rad) towards another."""

    point: str
    northing: float
    easting: float
    elevation: float
    toward: str
    azimuth: float


@dataclass(frozen=True)
class Datum:
    """Where the frame comes from: ``kind`` is control, free or local."""

    kind: str = "control"
    local: LocalDatum | None = None


@dataclass(frozen=True)
class Tolerances:
    """By how much (m) two setups may differ at a mark, in plan and in height, before it matters."""

    name: str = "paving"
    horizontal: float = 0.006
    elevation: float = 0.003
    source: str = "common practice, no source"
