"""Which places are neighbours in the plan: no third one stands between them.

Between is inside the circle that has the two as a diameter (the Gabriel graph).
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray

ROUNDING = 1e-12  # of a distance squared


def neighbour_pairs(place: FloatArray) -> tuple[IntArray, IntArray]:
    """Return every pair of neighbours among a few hundred places (n, 2)."""
    first, second = np.triu_indices(len(place), 1)
    square = np.sum((place[first] - place[second]) ** 2, axis=1)
    keep = np.ones(len(first), dtype=np.bool_)
    for other in place:  # Thales: from inside the circle the two are seen at an obtuse angle
        across = np.sum((place[first] - other) * (place[second] - other), axis=1)
        keep &= across >= -ROUNDING * square
    return first[keep], second[keep]


def neighbours_among(place: FloatArray, pairs: IntArray) -> BoolArray:
    """Say which of ``pairs`` (q, 2) of places (n, 2) are neighbours.

    What may stand between two places is what one of them is paired with: a site has thousands
    of setups, and those far away need not be asked.
    """
    both = np.concatenate([pairs, pairs[:, ::-1]])
    both = both[np.argsort(both[:, 0], kind="stable")]
    starts = np.searchsorted(both[:, 0], np.arange(len(place) + 1))
    inside = np.zeros(len(pairs), dtype=np.bool_)
    for end in (0, 1):
        count = np.diff(starts)[pairs[:, end]]
        pair = np.repeat(np.arange(len(pairs)), count)
        offset = np.arange(len(pair)) - np.repeat(np.cumsum(count) - count, count)
        other = both[starts[pairs[pair, end]] + offset, 1]
        to_first, to_second = (place[other] - place[pairs[pair, side]] for side in (0, 1))
        third = (other != pairs[pair, 0]) & (other != pairs[pair, 1])
        between = third & (np.sum(to_first * to_second, axis=1) < 0.0)
        np.logical_or.at(inside, pair, between)
    return ~inside
