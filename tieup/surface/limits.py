"""Falls of triangles against limits: in any direction, or along and across a route.

Along a leg of a route with the direction u, the grade of a triangle beside it is |g . u|, across
it |g . u_perp|, g the gradient. Judged like any fall (`tieup.derive.measured_falls`): those that
fail are one family, each that passes must pass by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.derive.measured_falls import Falls, verdicts
from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.model.surfaces import ACROSS, ANY, GradeLimit
from tieup.surface.grades import Grades, sd_along
from tieup.surface.mesh import NEXT, Mesh
from tieup.surface.outline import within
from tieup.surface.spread import VertexSpread


@dataclass(frozen=True)
class HeldGrades:
    """Triangles (k,) that a limit is about, their grade with sd (ratios), and the verdicts."""

    faces: IntArray
    value: FloatArray
    sd: FloatArray
    verdict: TextArray


def faces_within(mesh: Mesh, ring: FloatArray | None) -> IntArray:
    """Return the triangles with their middle in a ring (r, 2), or all; never slivers."""
    if ring is None:
        return np.flatnonzero(~mesh.slivers())
    middle = mesh.corners.mean(axis=1)[:, ::-1]
    return np.flatnonzero(within(middle, [ring]) & ~mesh.slivers())


def faces_along(mesh: Mesh, lines: list[list[int]]) -> tuple[IntArray, FloatArray]:
    """Return the triangles on both sides of lines of vertices, with directions (k, 2) of legs."""
    legs = [leg for line in lines for leg in pairwise(line)]
    wanted = np.array([min(leg) * len(mesh.place) + max(leg) for leg in legs], dtype=np.int64)
    ends = np.stack([mesh.faces, mesh.faces[:, NEXT]], axis=-1)
    keys = np.sort(ends, axis=-1) @ [len(mesh.place), 1]
    face, edge = np.nonzero(np.isin(keys, wanted) & ~mesh.slivers()[:, None])
    step = mesh.place[ends[face, edge, 1], :2] - mesh.place[ends[face, edge, 0], :2]
    return face, step / np.hypot(*step.T)[:, None]


def held_to(
    mesh: Mesh,
    spread: VertexSpread,
    grades: Grades,
    limit: GradeLimit,
    chosen: tuple[IntArray, FloatArray | None],
    confidence: float,
) -> HeldGrades:
    """Hold the grades of chosen triangles, with their directions, against a limit."""
    faces, direction = chosen
    if limit.of == ANY or direction is None:
        value, sd = grades.fall[faces], grades.sd[faces]
    else:
        if limit.of == ACROSS:
            direction = np.column_stack([-direction[:, 1], direction[:, 0]])
        value = np.abs(np.einsum("td,td->t", grades.gradient[faces], direction))
        sd = sd_along(mesh, spread, faces, direction)
    found = verdicts(Falls(value, sd), limit.minimum, limit.maximum, confidence)
    return HeldGrades(faces, value, sd, found)
