"""How traverses of azimuths and distances close, from what was booked alone.

Each leg is the mean of the lines between two marks, observed from one end or the other. Walked
round a loop, or from one known mark to the next, the legs sum to what the coordinates say; what
is left over is the misclosure, by northing (latitudes) and easting (departures).

References: Ghilani and Wolf, Elementary Surveying, traverse computations: latitudes, departures,
linear misclosure, relative precision.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.geometry import curvature_coefficient, polar_offset
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights
from tieup.network.bridges import find_loops

CONTROL = -1
MOST_TRAVERSES = 50


@dataclass(frozen=True)
class Traverse:
    """One way round: ``points`` in order, the first again at the end of a loop.

    ``length`` (m) of all legs, ``misclosure`` (2,) in m: the sum of the legs less what the
    coordinates of its ends say, by N and E. ``held``: it runs between two known marks.
    """

    points: tuple[int, ...]
    length: float
    misclosure: FloatArray
    held: bool

    @property
    def linear(self) -> float:
        """Return the linear misclosure (m)."""
        return float(np.hypot(*self.misclosure))


Legs = dict[tuple[int, int], complex]


def find_traverses(
    sights: Sights, station: IntArray, control: FloatArray, refraction: float
) -> tuple[Traverse, ...]:
    """Return the short loops and links that together hold every leg that closes anything.

    ``station`` (S,) is the mark that each setup stands over or -1, ``control`` (P, 2) the known
    northings and eastings in m, NaN where there are none.
    """
    legs = _legs(sights, station, refraction)
    known = control[:, 0] + 1j * control[:, 1]
    ends = {mark for leg in legs for mark in leg}
    held = sorted(mark for mark in ends if np.isfinite(known[mark]))
    pairs = sorted({(min(leg), max(leg)) for leg in legs})
    through = [(CONTROL, mark) for mark in held] if len(held) > 1 else []
    loops = find_loops(_table(pairs), MOST_TRAVERSES)
    links = [
        loop
        for loop in find_loops(_table([*pairs, *through]), MOST_TRAVERSES)
        if CONTROL in loop.setups
    ]
    walks = [_walk(_begun(loop.setups, held), legs, known) for loop in (*loops, *links)]
    return tuple(walk for walk in walks if walk is not None)


def _table(pairs: list[tuple[int, int]]) -> IntArray:
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _legs(sights: Sights, over: IntArray, refraction: float) -> Legs:
    """Return the mean offset N + iE (m) of each leg, by its ends, in the sense observed."""
    value, station = sights.value, over[sights.setup]
    rows = np.flatnonzero(
        sights.azimuth & (station >= 0) & np.isfinite(value[:, [DIRECTION, DISTANCE]]).all(axis=1)
    )
    zenith = np.where(np.isfinite(value[rows, ZENITH]), value[rows, ZENITH], 0.5 * np.pi)
    bend = np.where(sights.level[rows], 0.0, curvature_coefficient(refraction))
    offset = np.array(
        [
            polar_offset(azimuth, angle, far, curve)
            for azimuth, angle, far, curve in zip(
                value[rows, DIRECTION], zenith, value[rows, DISTANCE], bend, strict=True
            )
        ]
    ).reshape(-1, 3)
    seen: dict[tuple[int, int], list[complex]] = {}
    for row, (north, east, _) in zip(rows.tolist(), offset.tolist(), strict=True):
        one, two = int(station[row]), int(sights.point[row])
        if (two, one) in seen:
            seen[two, one].append(-complex(north, east))
        elif one != two:
            seen.setdefault((one, two), []).append(complex(north, east))
    return {leg: complex(np.mean(all_)) for leg, all_ in seen.items()}


def _begun(marks: tuple[int, ...], held: list[int]) -> tuple[int, ...]:
    """Begin a loop behind control, at a known mark, or at the mark that was named first."""
    if CONTROL in marks:
        start = marks.index(CONTROL)
        return marks[start + 1 :] + marks[:start]
    first = min(marks, key=lambda mark: (mark not in held, mark))
    start = marks.index(first)
    return (*marks[start:], *marks[: start + 1])


def _walk(points: tuple[int, ...], legs: Legs, known: FloatArray) -> Traverse | None:
    """Sum the legs, in the sense in which most of them were observed."""
    steps = list(pairwise(points))
    if not steps or any(step not in legs and step[::-1] not in legs for step in steps):
        return None
    if 2 * sum(step in legs for step in steps) < len(steps):
        points = points[::-1]
        steps = list(pairwise(points))
    each = [legs[step] if step in legs else -legs[step[::-1]] for step in steps]
    held = points[0] != points[-1]
    wanted = known[points[-1]] - known[points[0]] if held else 0.0
    left = complex(sum(each) - wanted)
    return Traverse(
        points, float(np.sum(np.abs(each))), np.array([left.real, left.imag]), bool(held)
    )
