"""Which places are neighbours in the plan."""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray

ROWS = 4_000_000  # distances held at once


def adjacent(place: FloatArray, first: IntArray, second: IntArray) -> BoolArray:
    """Say which pairs (q,) of places (n, 2) are neighbours: no third one is between them.

    Between is in the circle that has the two as a diameter (the Gabriel graph).
    """
    between = np.zeros(len(first), dtype=np.bool_)
    step = max(ROWS // max(len(place), 1), 1)
    for start in range(0, len(first), step):
        a, b = first[start : start + step], second[start : start + step]
        to_a = place[None] - place[a][:, None]
        to_b = place[None] - place[b][:, None]
        inside = np.sum(to_a * to_b, axis=2) < 0.0
        inside[np.arange(len(a)), a] = inside[np.arange(len(b)), b] = False
        between[start : start + step] = inside.any(axis=1)
    return ~between


def neighbour_pairs(place: FloatArray) -> tuple[IntArray, IntArray]:
    """Return every pair of neighbours among places (n, 2)."""
    first, second = np.triu_indices(len(place), 1)
    keep = adjacent(place, first, second)
    return first[keep], second[keep]
