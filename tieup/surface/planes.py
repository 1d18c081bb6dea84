"""How far each vertex lies off the plane of its neighbours, as a linear function of heights.

With the neighbours of a vertex at (x_j, y_j) from it, the plane through them by least squares
has at the vertex the height sum of w_j z_j, w_j = e' N^-1 (1, x_j, y_j)', with N the sum of
(1, x_j, y_j)' (1, x_j, y_j) and e = (1, 0, 0)'. On any plane z - sum of w_j z_j is 0.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.mesh import Mesh

FLATTEST = 1e-3  # determinant of N for neighbours at a mean distance of 1; less is one line

BLOCK = 4000  # vertices worked on at once: what they need stays in the cache


def off_planes(mesh: Mesh, some: BoolArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the planes of the neighbours at ``some`` of the vertices (v,).

    Pairs (p,) of a vertex and a neighbour, in order of the vertices, and the weight that the
    neighbour's height has there. A vertex whose neighbours are fewer than three, or lie on one
    line, has none.
    """
    a, b, _ = mesh.spokes
    there = np.flatnonzero(some[a])
    a, b = a[there], b[there]
    start = np.flatnonzero(np.diff(a, prepend=-1))
    cuts = [*start[::BLOCK].tolist(), len(a)]
    parts = [_weights(mesh.plan, a[i:j], b[i:j]) for i, j in pairwise(cuts)]
    keep, weight = (
        np.concatenate([np.zeros(0, dtype=of), *own])
        for of, own in zip(
            (bool, float), zip(*parts, strict=True) if parts else ((), ()), strict=True
        )
    )
    return a[keep], b[keep], weight


def _weights(plan: FloatArray, a: IntArray, b: IntArray) -> tuple[BoolArray, FloatArray]:
    """Return which spokes (p,) take part, and the weights of those."""
    x, y = (axis[b] - axis[a] for axis in plan)
    start = np.flatnonzero(np.diff(a, prepend=-1))
    number = np.diff(start, append=len(a))
    scale = np.maximum(np.add.reduceat(np.hypot(x, y), start) / number, 1e-9)
    by = np.repeat(scale, number)
    x, y = x / by, y / by
    sx, sy, xx, xy, yy = (np.add.reduceat(value, start) for value in (x, y, x * x, x * y, y * y))
    first = (xx * yy - xy * xy, sy * xy - sx * yy, sx * xy - sy * xx)  # cofactors of N's first row
    whole = number * first[0] + sx * first[1] + sy * first[2]
    sound = (number >= 3) & (whole > FLATTEST)
    keep = np.repeat(sound, number)
    share = np.repeat(np.stack(first)[:, sound] / whole[sound], number[sound], axis=1)
    return keep, share[0] + share[1] * x[keep] + share[2] * y[keep]
