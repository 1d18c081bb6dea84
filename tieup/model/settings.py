"""What a job states about its gear, its frame and its limits. SI and radians."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tieup.geometry import ARC_SECOND


@dataclass(frozen=True)
class Instrument:
    """Standard deviations (1 sd) of one pointing of an instrument in one face.

    ``direction``, ``zenith`` in radians; a distance D has
    ``distance_constant + distance_ppm * 1e-6 * D`` metres.
    """

    direction: float = 2.0 * ARC_SECOND
    zenith: float = 2.0 * ARC_SECOND
    distance_constant: float = 0.0015
    distance_ppm: float = 2.0


@dataclass(frozen=True)
class Precision:
    """Stated precision of everything measured; lengths in metres, 1 sd.

    Centring is the plan error of instrument or target over its mark, per
    horizontal component; heights that of the booked instrument or pole height.
    """

    instruments: Mapping[str, Instrument] = field(default_factory=lambda: {"default": Instrument()})
    centring_instrument: float = 0.0005
    centring_target: float = 0.001
    height_instrument: float = 0.001
    height_target: float = 0.001


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
    """What a tie may differ (m) in plan and in height before it matters."""

    name: str = "paving"
    horizontal: float = 0.006
    elevation: float = 0.003
    source: str = "common practice, no source"
