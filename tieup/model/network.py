"""The network: marks, setups, what connects them, and where the solution starts."""

from __future__ import annotations

from dataclasses import dataclass

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
    the observations determine. ``component`` (S,) numbers the connected pieces, 0 the
    piece that is solved. ``gross`` (k, 3) marks sight components that miss the start by
    so much that they cannot enter the first solution.
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
