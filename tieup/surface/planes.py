"""How far each vertex lies off the plane of its neighbours, as a linear function of heights.

With the neighbours of a vertex at (x_j, y_j) from it, the plane through them by least squares
has at the vertex the height sum of w_j z_j, w_j = e' N^-1 (1, x_j, y_j)', with N the sum of
(1, x_j, y_j)' (1, x_j, y_j) and e = (1, 0, 0)'. On any plane z - sum of w_j z_j is 0.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array, eye_array

from tieup.model.arrays import BoolArray
from tieup.surface.mesh import Mesh

FLATTEST = 1e-3  # determinant of N for neighbours at a mean distance of 1; less is one line


def off_planes(mesh: Mesh) -> tuple[csr_array, BoolArray]:
    """Return the rows (v, v) of z minus the plane of the neighbours, and which of them are sound.

    A vertex whose neighbours are fewer than three, or lie on one line, has none.
    """
    a, b = np.concatenate([mesh.edges, mesh.edges[:, ::-1]]).T
    count = len(mesh.place)
    step = mesh.place[b, :2] - mesh.place[a, :2]
    degree = np.bincount(a, minlength=count)
    scale = np.bincount(a, np.hypot(*step.T), minlength=count) / np.maximum(degree, 1)
    row = np.column_stack([np.ones(len(a)), step / np.maximum(scale[a], 1e-9)[:, None]])
    normal = np.empty((count, 3, 3))
    for i in range(3):
        for j in range(3):
            normal[:, i, j] = np.bincount(a, row[:, i] * row[:, j], minlength=count)
    sound = (degree >= 3) & (np.linalg.det(normal) > FLATTEST)
    normal[~sound] = np.eye(3)
    first = np.linalg.inv(normal)[:, 0]
    weight = np.where(sound[a], np.einsum("ni,ni->n", first[a], row), 0.0)
    shape = (count, count)
    carried = csr_array((weight, (a, b)), shape=shape)
    return csr_array(eye_array(count, format="csr") - carried), sound
