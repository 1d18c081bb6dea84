"""Seams: where triangles bridge points of two setups, and the step between the two there.

A step in height between two setups looks like a kink along the seam, and water seems to stand or
to run where it will not. At the middle of each edge that bridges the two, the ground is carried on
from both sides by a plane through the nearest points of each setup (least squares), never over a
breakline; the step is the mean of the differences. It is linear in the heights and 0 on any plane,
and on two planes that meet at the seam; what one side bends more than the other counts as shape.

The variance is that of the heights by what each point has of its own, with the shape of the
ground as two further errors: what single points scatter about their planes beyond it, and what
they lie off on the average of all edges, as they do where the ground bends near the seam. Carried
to the seam that becomes 4 times as much (`CARRIED`). Edges where points scatter more than 4 times
the middle one, beside a curb say, are left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.surface.mesh import Mesh
from tieup.surface.outline import panels
from tieup.surface.spread import VertexSpread

REACH = 4.0  # lengths of a bridging edge that the points of its planes lie within, as deep at
# least as the ground is carried on
NEAREST = 9  # points of each setup that carry the ground to the seam
FAR = 4.0  # times the scatter of the middle edge
LEAST = 3  # edges that show a step
BENT = 3.0  # sd with the shape of the ground over that without; more is no ground to judge by
MOST = 300  # edges that a seam is judged by, evenly out of all
CARRIED = 4.0  # on rows at 1/2, 3/2, 5/2: 3.4 for a bend that is even, 3.9 for a crease after 1
ON_A_LINE = 0.05  # least spread across over that along; less is one line and carries no plane
SHARED = -1


@dataclass(frozen=True)
class Seam:
    """The seam between two ``setups``: its edges (e, 2), first end from the first setup.

    ``step`` (m) is how much higher the second setup puts the ground, with the ``sd`` of this
    estimate, and ``alone`` without the shape of the ground; ``expected`` (m) is the sd that the
    adjustment gives the difference of the two.
    """

    setups: tuple[int, int]
    edges: IntArray
    step: float
    sd: float
    alone: float
    expected: float

    @property
    def clear(self) -> float:
        """Return how many sds of the estimate the step is: whether it is there."""
        return abs(self.step) / self.sd if self.tested else 0.0

    @property
    def tested(self) -> bool:
        """Return whether anything can be told: the ground is even enough beside the seam."""
        return bool(np.isfinite(self.step) and self.sd <= BENT * self.alone)

    @property
    def beyond(self) -> float:
        """Return how many sds it is with what the adjustment expects: whether it is a mistake."""
        return abs(self.step) / np.hypot(self.sd, self.expected) if self.tested else 0.0


def seams_of(mesh: Mesh, spread: VertexSpread, setup: IntArray) -> list[Seam]:
    """Return the seams of a surface; ``setup`` (v,) is the one that shot a vertex, -1 for several.

    The step is NaN where too few vertices show it.
    """
    if len(setup) == 0 or (setup == setup[0]).all():
        return []
    panel = panels(mesh)
    return [_seam(mesh, spread, setup, panel, *bridge) for bridge in _bridges(mesh, setup)]


def bridging(mesh: Mesh, setup: IntArray) -> BoolArray:
    """Return the triangles (t,) with corners that only different setups have shot."""
    own = setup[mesh.faces]
    single = own != SHARED
    low = np.where(single, own, np.iinfo(np.int64).max).min(axis=1)
    return np.asarray(single.any(axis=1) & (np.where(single, own, -1).max(axis=1) != low))


def _bridges(mesh: Mesh, setup: IntArray) -> Iterator[tuple[tuple[int, int], IntArray]]:
    """Give each pair of setups with the edges (e, 2) between them, in order of the setups."""
    own = setup[mesh.edges]
    over = (own != SHARED).all(axis=1) & (own[:, 0] != own[:, 1])
    edges, own = mesh.edges[over], own[over]
    swap = own[:, 0] > own[:, 1]
    edges[swap], own[swap] = edges[swap, ::-1], own[swap, ::-1]
    pairs, number = distinct_pairs(own[:, 0], own[:, 1])
    for i, (a, b) in enumerate(pairs.tolist()):
        yield (a, b), edges[number == i]


def _seam(
    mesh: Mesh,
    spread: VertexSpread,
    setup: IntArray,
    panel: IntArray,
    setups: tuple[int, int],
    edges: IntArray,
) -> Seam:
    expected = _expected(spread, edges)
    own = [setup == one for one in setups]
    over = own[0][mesh.faces].any(axis=1) & own[1][mesh.faces].any(axis=1)
    shown = []
    for number in np.unique(panel[over]).tolist():
        faces = mesh.faces[panel == number]
        sides = [np.unique(faces[side[faces]]) for side in own]
        inside = np.zeros(len(mesh.place), dtype=bool)
        inside[faces] = True
        some = edges[inside[edges].all(axis=1)]
        some = some[np.linspace(0, len(some) - 1, min(MOST, len(some))).astype(int)]
        shown += [_shown(mesh, spread, sides, some)]
    known = [part for part in shown if part is not None]
    count = sum(part.edges for part in known)
    if count < LEAST:
        return Seam(setups, edges, np.nan, np.nan, np.nan, expected)
    weight = np.asarray(sum(part.weight for part in known)) / count
    random, common = (
        sum(part.edges * getattr(part, of) for part in known) / count for of in ("random", "common")
    )
    by_point = csr_array(weight[None]) @ spread.weights
    squares = by_point.power(2)
    variance = float((squares @ (spread.points.own**2 + random))[0]) + common
    alone = float(np.sqrt(squares @ spread.points.own**2)[0])
    step = float(weight @ mesh.height)
    return Seam(setups, edges, step, float(np.sqrt(variance)), alone, expected)


@dataclass(frozen=True)
class _Shown:
    """What one panel shows of a step: so many ``edges``, the sum of their ``weight`` (v,).

    ``random`` is the variance that the shape adds to a point, ``common`` to the step (m^2).
    """

    edges: int
    weight: FloatArray
    random: float
    common: float


def _shown(
    mesh: Mesh, spread: VertexSpread, sides: Sequence[IntArray], edges: IntArray
) -> _Shown | None:
    middle = mesh.place[edges, :2].mean(axis=1)
    length = np.hypot(*(mesh.place[edges[:, 1], :2] - mesh.place[edges[:, 0], :2]).T)
    carried = [_carried(mesh, side, middle) for side in sides]
    if not len(middle) or any(side is None for side in carried):
        return None
    known = [side for side in carried if side is not None]
    sound = np.all([np.isfinite(weight).all(axis=1) for _, weight, _ in known], axis=0)
    for near, _, _ in known:
        away = np.hypot(*(mesh.place[near, :2] - middle[:, None]).transpose(2, 0, 1))
        sound &= (away.max(axis=1) <= REACH * length) & (2.0 * away.min(axis=1) <= away.max(axis=1))
    left = np.sqrt(sum((off**2).mean(axis=1) for _, _, off in known))
    sound &= left <= FAR * np.median(left[sound]) if sound.any() else sound
    weight = np.zeros(len(mesh.place))
    for sign, (near, by, _) in zip((-1.0, 1.0), known, strict=True):
        np.add.at(weight, near[sound], sign * by[sound])
    if not sound.any():
        return None
    shapes = [_shape(spread, near, off[sound]) for near, _, off in known]
    random, common = (max(part) for part in zip(*shapes, strict=True))
    return _Shown(int(sound.sum()), weight, random, common)


def _carried(
    mesh: Mesh, own: IntArray, middle: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray] | None:
    """Return the nearest of ``own`` vertices to each middle, and how they carry the ground there.

    Vertices, their weights and how far they lie off the plane (e, k) in m; weights are NaN where
    they lie on one line. None where there are too few.
    """
    if len(own) < 4:
        return None
    k = min(NEAREST, len(own))
    near = own[cKDTree(mesh.place[own, :2]).query(middle, k)[1]]
    step = mesh.place[near, :2] - middle[:, None]
    middle_step = step.mean(axis=1)
    spread = step - middle_step[:, None]
    normal = np.einsum("eki,ekj->eij", spread, spread)
    values = np.linalg.eigvalsh(normal)
    line = values[:, 0] <= ON_A_LINE**2 * values[:, 1]
    normal[line] = np.eye(2)
    by = np.einsum("ei,eij,ekj->ek", -middle_step, np.linalg.inv(normal), spread)
    height = mesh.height[near] - mesh.height[near].mean(axis=1, keepdims=True)
    slope = np.einsum("eij,ekj,ek->ei", np.linalg.inv(normal), spread, height)
    off = height - np.einsum("ei,eki->ek", slope, spread)
    weight = np.where(line[:, None], np.nan, 1.0 / k + by)
    return near, weight, off


def _shape(spread: VertexSpread, near: IntArray, off: FloatArray) -> tuple[float, float]:
    """Return what the ground's shape adds to the variance of a point, and of the step (m^2)."""
    edges, k = off.shape
    own = spread.weights.power(2) @ spread.points.own**2
    scatter = float((off**2).sum() / (edges * max(k - 3, 1)))
    independent = max(len(np.unique(near)) / k, 1.0)
    even = float((off.mean(axis=0) ** 2).mean()) - (1.0 - 3.0 / k) * scatter / independent
    return max(scatter - float(own[near].mean()), 0.0), CARRIED**2 * max(even, 0.0)


def _expected(spread: VertexSpread, edges: IntArray) -> float:
    """Return the sd of the mean difference over the seam by what points have in common."""
    count = len(edges)
    values = np.concatenate([np.full((1, count), -1.0), np.full((1, count), 1.0)], axis=1) / count
    row = spread.rows(edges.T.reshape(1, -1), values)
    return float(np.linalg.norm(row @ spread.points.common))
