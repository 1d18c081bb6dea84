"""The network: marks, setups, what connects them, and where the solution starts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.observations import Sights


@dataclass(frozen=True)
class Links:
    """Observations straight between two marks, shape (l,).

    ``kind`` is "level" (height difference ``to`` minus ``from``, m) or "tape" (horizontal
    distance, m).
    """

    kind: TextArray
    start: IntArray
    end: IntArray
    value: FloatArray
    sd: FloatArray


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
    coordinates as ``position``.
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


@dataclass(frozen=True)
class Network:
    """Everything the adjustment needs, as arrays.

    S setups, P points. ``station`` (S,) is the index of the occupied mark or -1;
    ``instrument_height`` (S,) in metres, NaN when none was booked. ``control`` and
    ``control_sd`` (P, 3) are N, E, H in metres, NaN where nothing is known, sd 0 where
    held. ``origin`` (3,) has been subtracted from every coordinate inside.
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
