"""What is true on an invented site: its marks, and what the crew does from each setup.

Lengths in metres, angles in radians clockwise from north, times in seconds of the epoch.
Nothing here is random and nothing here is measured: see `tests.simulate.draw`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from tests.simulate.layout import Layout, compile_layout


@dataclass(frozen=True)
class Mark:
    """A point of the site at its true place.

    ``control_sd`` (N, E, H) makes it a control mark: its row in control.csv is the truth
    plus an error of that sd, exactly the truth where it is 0. None: no known coordinates.
    """

    name: str
    northing: float
    easting: float
    elevation: float
    control_sd: tuple[float, float, float] | None = None
    note: str = ""


@dataclass(frozen=True)
class Aim:
    """One pointing, one raw row. ``observed`` says which of direction, zenith, distance.

    ``target_height`` is the booked height. ``prism_constant`` is booked in the row as still
    to be added: the instrument shows a distance shorter by it.
    """

    point: str
    target_height: float = 1.5
    face: int = 1
    round: int = 1
    role: str = "side"
    target: str = "prism"
    prism_constant: float = 0.0
    code: str = ""
    string: str = ""
    observed: tuple[bool, bool, bool] = (True, True, True)


@dataclass(frozen=True)
class SetupPlan:
    """One levelling-up of the instrument and its pointings in the order of shooting.

    A free station (``station`` empty) has its trunnion axis at ``axis`` (N, E, H). An occupied
    one has it over the mark, ``instrument_height`` (as booked) above it, both but for the
    errors drawn. ``orientation`` is the azimuth of the circle's zero in round 1; it grows by
    ``circle_turn`` each further round. A row follows the row before by ``pace`` seconds from
    ``start``. ``file`` defaults to raw/<label>.csv in lower case.
    """

    label: str
    aims: tuple[Aim, ...]
    station: str = ""
    axis: tuple[float, float, float] = (0.0, 0.0, 0.0)
    instrument_height: float = 0.0
    orientation: float = 0.0
    circle_turn: float = 0.0
    instrument: str = "default"
    file: str = ""
    start: float = float("nan")
    pace: float = 30.0


@dataclass(frozen=True)
class InstrumentFault:
    """Collimation c and vertical index i of an instrument (rad).

    Two faces: reverse - direct = 180 deg + 2c / sin z; z1 + z2 = 360 deg + 2i.
    """

    collimation: float = 0.0
    index: float = 0.0


@dataclass(frozen=True)
class Site:
    """The whole truth: marks, setups, refraction coefficient k, faults by instrument key."""

    marks: tuple[Mark, ...]
    setups: tuple[SetupPlan, ...]
    refraction: float = 0.13
    faults: Mapping[str, InstrumentFault] = field(default_factory=dict)

    @cached_property
    def layout(self) -> Layout:
        """Return the site as arrays; made once, so that thousands of draws cost little."""
        return compile_layout(self)


def in_faces(aim: Aim, *faces: int) -> tuple[Aim, ...]:
    """Repeat one aim in the given faces, one row each."""
    return tuple(replace(aim, face=face) for face in faces)
