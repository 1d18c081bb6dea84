"""Contours: the lines on which a surface has one elevation.

Over a triangle a contour is a straight piece between two of its edges. A vertex at the very
elevation counts as above, so that every piece has two ends and every line is closed or ends at the
edge of the surface.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.surface.mesh import NEXT, Mesh

STEPS = (1.0, 2.0, 5.0)
LINES = 12  # elevations that a surface is shown with, about
FINEST = 0.005  # m; about what heights of shots are known to, closer contours are noise; our choice


def interval_of(height: FloatArray, unit: float) -> float:
    """Return an even interval (m) that shows heights (v,) by about `LINES` contours.

    It is 1, 2 or 5 times a power of ten in a unit of ``unit`` metres and no finer than `FINEST`;
    infinite, for no contours, where all heights are one within that.
    """
    relief = float(np.ptp(height)) if len(height) else 0.0
    if relief < FINEST:
        return np.inf
    wanted = max(relief / LINES, FINEST) / unit
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(next(s for s in (*STEPS, 10.0) if s * power >= wanted * (1 - 1e-9)) * power * unit)


def contour_lines(mesh: Mesh, levels: Sequence[float]) -> Iterator[tuple[float, FloatArray]]:
    """Give each line of each level as places (k, 2) northing, easting; a closed one ends as it
    begins."""
    height = mesh.height[mesh.faces]
    low, high = height.min(axis=1, initial=np.inf), height.max(axis=1, initial=-np.inf)
    for level in levels:
        cut = np.flatnonzero((low < level) & (high >= level))
        if len(cut):
            for line in _lines_at(mesh, cut, level):
                yield level, line


def _lines_at(mesh: Mesh, cut: IntArray, level: float) -> Iterator[FloatArray]:
    faces = mesh.faces[cut]
    above = mesh.height[faces] >= level
    crossed = above != above[:, NEXT]  # two edges of each triangle
    edge = np.nonzero(crossed)[1].reshape(-1, 2)
    row = np.arange(len(cut))[:, None]
    ends = np.sort(np.stack([faces[row, edge], faces[row, np.array(NEXT)[edge]]], axis=-1), axis=-1)
    keys, number = np.unique(ends.reshape(-1, 2) @ [len(mesh.place), 1], return_inverse=True)
    low, high = np.divmod(keys, len(mesh.place))
    z, plan = mesh.height, mesh.place[:, :2]
    share = ((level - z[low]) / (z[high] - z[low]))[:, None]
    places = plan[low] + share * (plan[high] - plan[low])
    for chain in _chains(number.reshape(-1, 2), len(keys)):
        yield places[chain]


def _chains(pairs: IntArray, count: int) -> Iterator[list[int]]:
    """Give the chains that pairs of nodes make, no node in more than two; open ones first."""
    beside: list[list[int]] = [[] for _ in range(count)]
    for a, b in pairs.tolist():
        beside[a].append(b)
        beside[b].append(a)
    seen = [False] * count
    ends = [node for node in range(count) if len(beside[node]) == 1]
    for start in (*ends, *range(count)):
        if seen[start]:
            continue
        chain, node, before = [], start, -1
        while node >= 0 and not seen[node]:
            seen[node] = True
            chain.append(node)
            ahead = [other for other in beside[node] if other != before and not seen[other]]
            before, node = node, ahead[0] if ahead else -1
        if len(chain) > 2 and start in beside[chain[-1]]:
            chain.append(start)
        yield chain
