"""How far each vertex lies off the plane of its neighbours, as a linear function of heights.

With the neighbours of a vertex at (x_j, y_j) from it, the plane through them by least squares
has at the vertex the height sum of w_j z_j, w_j = e' N^-1 (1, x_j, y_j)', with N the sum of
(1, x_j, y_j)' (1, x_j, y_j) and e = (1, 0, 0)'. On any plane z - sum of w_j z_j is 0.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.mesh import Mesh

FLATTEST = 1e-3  # determinant of N for neighbours at a mean distance of 1; less is one line


def off_planes(mesh: Mesh, some: BoolArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Return the planes of the neighbours at ``some`` of the vertices (v,).

    Pairs (p,) of a vertex and a neighbour, and the weight that the neighbour's height has there. A
    vertex whose neighbours are fewer than three, or lie on one line, has none.
    """
    a, b, _ = mesh.spokes
    there = some[a]
    a, b = a[there], b[there]
    count = len(mesh.place)
    x, y = (mesh.place[b, :2] - mesh.place[a, :2]).T
    n = np.bincount(a, minlength=count).astype(float)
    scale = np.maximum(np.bincount(a, np.hypot(x, y), minlength=count) / np.maximum(n, 1), 1e-9)
    x, y = x / scale[a], y / scale[a]
    sx, sy, xx, xy, yy = (
        np.bincount(a, value, minlength=count) for value in (x, y, x * x, x * y, y * y)
    )
    first = (xx * yy - xy * xy, sy * xy - sx * yy, sx * xy - sy * xx)  # cofactors of N's first row
    whole = n * first[0] + sx * first[1] + sy * first[2]
    sound = (n >= 3) & (whole > FLATTEST)
    keep = sound[a]
    a, b, x, y = a[keep], b[keep], x[keep], y[keep]
    return a, b, (first[0][a] + first[1][a] * x + first[2][a] * y) / whole[a]
