"""Lengths between places that are known: as measured from one setup, and as coordinates say.

From an occupied known mark to each sighted one; between two known marks sighted from a free
station, as the third side by the law of cosines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights


@dataclass(frozen=True)
class KnownLengths:
    """Horizontal lengths, shape (n,), in m, in the order of the setups.

    ``start`` and ``end`` are sights, ``start`` -1 where the length is from the station.
    ``inverse`` is above 0.
    """

    setup: IntArray
    start: IntArray
    end: IntArray
    measured: FloatArray
    inverse: FloatArray


def known_lengths(sights: Sights, station: FloatArray, place: FloatArray) -> KnownLengths:
    """Return every length that can be compared.

    Parameters
    ----------
    station
        Northing and easting of what each setup stands on, (S, 2) m, NaN where not known.
    place
        Northing and easting of the target of each sight, (k, 2) m, NaN where not known.
    """
    level = sights.value[:, DISTANCE] * np.sin(_zenith_or_level(sights.value[:, ZENITH]))
    usable = np.isfinite(place).all(axis=1) & np.isfinite(level)
    over_known = np.asarray(np.isfinite(station).all(axis=1))[sights.setup]
    rays = np.flatnonzero(usable & over_known)
    one, other = _pairs(sights, usable & ~over_known & np.isfinite(sights.value[:, DIRECTION]))
    angle = sights.value[other, DIRECTION] - sights.value[one, DIRECTION]
    a, b = level[one], level[other]
    side = np.sqrt(np.maximum(a * a + b * b - 2.0 * a * b * np.cos(angle), 0.0))
    setup = np.concatenate([sights.setup[rays], sights.setup[one]])
    start = np.concatenate([np.full(len(rays), -1, dtype=np.int64), one])
    end = np.concatenate([rays, other])
    measured = np.concatenate([level[rays], side])
    apart = np.concatenate([place[rays] - station[sights.setup[rays]], place[other] - place[one]])
    inverse = np.hypot(apart[:, 0], apart[:, 1])
    order = np.lexsort((end, setup))
    order = order[inverse[order] > 0.0]
    return KnownLengths(setup[order], start[order], end[order], measured[order], inverse[order])


def _zenith_or_level(zenith: FloatArray) -> FloatArray:
    return np.where(np.isfinite(zenith), zenith, 0.5 * np.pi)


def _pairs(sights: Sights, chosen: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the sights of each setup two by two, each point once, in order of the points."""
    own = np.flatnonzero(chosen)
    own = own[np.lexsort((own, sights.point[own], sights.setup[own]))]
    setup, point = sights.setup[own], sights.point[own]
    first = np.ones(len(own), dtype=bool)
    first[1:] = (np.diff(setup) != 0) | (np.diff(point) != 0)
    own = own[first]
    together = np.flatnonzero(np.diff(sights.setup[own]) == 0)
    return own[together], own[together + 1]
