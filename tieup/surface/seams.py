"""Seams: where triangles bridge points of two setups, and the step between the two there.

A step in height between two setups looks like a kink along the seam, and water seems to stand or
to run where it will not. At the middle of each edge that bridges the two, the ground is carried on
from both sides by a plane through the nearest points of each setup (least squares), never over a
breakline; the step is the mean of the differences. It is linear in the heights and 0 on any plane,
and on two planes that meet at the seam; what one side bends more than the other counts as shape.
Two planes that meet elsewhere between the points of the two setups are a crease there and no step:
it makes half of what the difference of the planes changes along an edge at most, and a step counts
only beyond half as much again, as the crease bends the planes themselves.

The variance is that of the heights by what each point has of its own, with the shape of the
ground as two further errors: what single points scatter about their planes beyond it, and what
they lie off on the average of all edges, as they do where the ground bends near the seam. Carried
to the seam that becomes 4 times as much (`CARRIED`). Edges where points scatter more than 4 times
the middle one, beside a curb say, are left out. A ditch or a bank along the seam that no breakline
shows is no step of the survey: one counts only where it stands out of what single points are off
(`STANDS_OUT`), and still a ditch of up to 0.2 m is taken for one in 2 % (tests/bench/seam_steps.py;
flat, graded, rough and creased ground in none of 1,200). A seam is called flush only where a step
of `SEEN` would have been named.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from tieup.adjust.distributions import normal_critical
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.surface.checks import critical
from tieup.surface.mesh import Mesh, cross
from tieup.surface.spread import VertexSpread

REACH = 4.0  # lengths of a bridging edge that the points of its planes lie within, as deep at
# least as the ground is carried on
STEPS = 6  # triangles from an edge of the seam that its points lie within
FEWEST = 6  # points that carry the ground
ALONE = 0.8  # of its own place in the plane that a single point may settle: its leverage
NEAREST = 9  # points of each setup that carry the ground to the seam
FAR = 4.0  # times the scatter of the middle edge
LEAST = 3  # edges that show a step
SHOWN = 0.3  # of all edges of a seam that must show it: those at the end of a breakline see past it
STANDS_OUT = 2.75  # rms of how far single points lie off that a step is beyond; our choice
CREASED = 0.75  # of the change of the difference of the planes along an edge: see above
SEEN = 0.010  # m; a seam is flush where a step of this would be named; our choice
UNSEEN = 0.02  # chance that it would not be
MOST = 120  # edges that a seam is judged by, evenly out of all
CARRIED = 4.0  # on rows at 1/2, 3/2, 5/2: 3.4 for a bend that is even, 3.9 for a crease after 1
ON_A_LINE = 0.05  # least spread across over that along; less is one line and carries no plane
SHARED = -1


@dataclass(frozen=True)
class Seam:
    """The seam between two ``setups``: its edges (e, 2), first end from the first setup.

    ``step`` (m) is how much higher the second setup puts the ground, with the ``sd`` of this
    estimate; ``rough`` (m) is how far single points lie off their planes, ``kink`` (m) what a
    crease would make that runs anywhere between the points of the two; ``expected`` (m) is the sd
    that the adjustment gives the difference of the two.
    """

    setups: tuple[int, int]
    edges: IntArray
    step: float
    sd: float
    rough: float
    kink: float
    expected: float

    @property
    def clear(self) -> float:
        """Return how many sds of the estimate the step is, 0 where the ground may make it."""
        return self._over / self.sd if self._over > 0.0 else 0.0

    @property
    def beyond(self) -> float:
        """Return how many sds it is with what the adjustment expects: whether it is a mistake."""
        return self._over / float(np.hypot(self.sd, self.expected)) if self._over > 0.0 else 0.0

    @property
    def tested(self) -> bool:
        """Return whether anything can be told: a step is there, or one of `SEEN` would be named."""
        return self.clear > critical() or self._flush

    @property
    def _over(self) -> float:
        """Return what of the step (m) no crease makes, 0 where single points are as far off."""
        over = abs(self.step) - self.kink
        return over if over > STANDS_OUT * self.rough else 0.0

    @property
    def _flush(self) -> bool:
        named = max(critical() * np.hypot(self.sd, self.expected), STANDS_OUT * self.rough)
        sure = named + self.kink + float(normal_critical(UNSEEN)) * self.sd
        return bool(sure <= SEEN and abs(self.step) <= critical() * self.sd)


def seams_of(mesh: Mesh, spread: VertexSpread, setup: IntArray) -> list[Seam]:
    """Return the seams of a surface; ``setup`` (v,) is the one that shot a vertex, -1 for several.

    The step is NaN where too few vertices show it.
    """
    if len(setup) == 0 or (setup == setup[0]).all():
        return []
    across = _Across(mesh)
    return [_seam(mesh, spread, setup, across, *bridge) for bridge in _bridges(mesh, setup)]


def bridging(mesh: Mesh, setup: IntArray) -> BoolArray:
    """Return the triangles (t,) with corners that only different setups have shot."""
    own = setup[mesh.faces]
    single = own != SHARED
    low = np.where(single, own, np.iinfo(np.int64).max).min(axis=1)
    return np.asarray(single.any(axis=1) & (np.where(single, own, -1).max(axis=1) != low))


def _bridges(mesh: Mesh, setup: IntArray) -> Iterator[tuple[tuple[int, int], IntArray, IntArray]]:
    """Give each pair of setups with the edges (e, 2) between them, in order of the setups.

    With them the triangles (e, 2) on both sides, -1 for none.
    """
    own = setup[mesh.edges]
    low, high = np.minimum(*own.T), np.maximum(*own.T)
    over = np.flatnonzero((low != SHARED) & (low != high))
    edges, sides, own = mesh.edges[over], mesh.sides[over], own[over]
    swap = own[:, 0] > own[:, 1]
    edges[swap] = edges[swap, ::-1]
    pairs, number = distinct_pairs(low[over], high[over])
    for i, (a, b) in enumerate(pairs.tolist()):
        yield (a, b), edges[number == i], sides[number == i]


class _Across:
    """Which vertices an edge sees over a few triangles, no breakline in between."""

    def __init__(self, mesh: Mesh) -> None:
        self._mesh = mesh
        self._lines = mesh.place[mesh.edges[mesh.held], :2]
        self._middle = self._lines.mean(axis=1)
        self._tree = cKDTree(self._middle) if len(self._lines) else None
        self._halves = 0.5 * np.hypot(*(self._lines[:, 1] - self._lines[:, 0]).T)
        self._half = float(self._halves.max(initial=0.0))

    def seen(self, sides: IntArray, middle: FloatArray) -> tuple[IntArray, IntArray]:
        """Return edges (p,) by number and the vertices (p,) that each sees from its middle.

        ``sides`` (e, 2) are the triangles on both sides of the edges.
        """
        edge, vertex = self._vertices(sides)
        if self._tree is None:
            return edge, vertex
        open_ = np.ones(len(edge), dtype=bool)
        cuts = np.searchsorted(edge, np.arange(len(sides) + 1)).tolist()
        for number, (a, b) in enumerate(pairwise(cuts)):
            ends = self._mesh.place[vertex[a:b], :2]
            reach = np.hypot(*(ends - middle[number]).T).max(initial=0.0) + self._half
            near_by = np.array(self._tree.query_ball_point(middle[number], reach), dtype=np.int64)
            away = np.hypot(*(self._middle[near_by] - middle[number]).T)
            lines = self._lines[near_by[away <= reach - self._half + self._halves[near_by]]]
            open_[a:b] = ~_crossed(middle[number], ends, lines)
        return edge[open_], vertex[open_]

    def _vertices(self, sides: IntArray) -> tuple[IntArray, IntArray]:
        """Return edges (p,) and the vertices (p,) within `STEPS` triangles, in order of both."""
        mesh = self._mesh
        edge, side = np.nonzero(sides >= 0)
        pairs = np.column_stack([edge, sides[edge, side]])
        for _ in range(STEPS):
            edge, face = pairs.T
            onward = np.where(mesh.fixed[face], face[:, None], mesh.neighbours[face])
            onward = np.where(onward < 0, face[:, None], onward)
            faces = np.concatenate([face, onward.T.reshape(-1)])
            pairs, _ = distinct_pairs(np.tile(edge, 4), faces)
        edge, face = pairs.T
        pairs, _ = distinct_pairs(np.tile(edge, 3), mesh.faces[face].T.reshape(-1))
        return pairs[:, 0], pairs[:, 1]


def _seam(
    mesh: Mesh,
    spread: VertexSpread,
    setup: IntArray,
    across: _Across,
    setups: tuple[int, int],
    edges: IntArray,
    faces: IntArray,
) -> Seam:
    expected = _expected(spread, edges)
    chosen = np.linspace(0, len(edges) - 1, min(MOST, len(edges))).astype(int)
    some = edges[chosen]
    middle = mesh.place[some, :2].mean(axis=1)
    seen = across.seen(faces[chosen], middle)
    sides = [_carried(mesh, seen, setup == one, some) for one in setups]
    sound = np.all([side.sound for side in sides], axis=0)
    left = np.sqrt(sum(side.scatter for side in sides))
    sound &= left <= FAR * np.median(left[sound]) if sound.any() else sound
    if sound.sum() < max(LEAST, SHOWN * len(some)):
        nothing = np.nan
        return Seam(setups, edges, nothing, nothing, nothing, nothing, expected)
    weight = np.zeros(len(mesh.place))
    for sign, side in zip((-1.0, 1.0), sides, strict=True):
        np.add.at(weight, side.near[sound], sign * side.weight[sound] / sound.sum())
    shapes = [_shape(spread, side, sound) for side in sides]
    random, common = (max(part) for part in zip(*shapes, strict=True))
    squares = (csr_array(weight[None]) @ spread.weights).power(2)
    variance = float((squares @ (spread.points.own**2 + random))[0]) + common
    step = float(weight @ mesh.height)
    kink = CREASED * abs(float((sides[1].rise - sides[0].rise)[sound].mean()))
    rough = float(np.sqrt(max(side.scatter[sound].mean() for side in sides)))
    return Seam(setups, edges, step, float(np.sqrt(variance)), rough, kink, expected)


@dataclass(frozen=True)
class _Carried:
    """How the nearest points of one setup carry the ground to each edge of a seam.

    ``near`` (e, k) vertices with their ``weight`` and how far they lie ``off`` the plane (m),
    ``scatter`` (e,) the mean square of that, ``rise`` (e,) m of the plane from the first end of
    the edge to the second, ``sound`` (e,) whether they do.
    """

    near: IntArray
    weight: FloatArray
    off: FloatArray
    scatter: FloatArray
    rise: FloatArray
    sound: BoolArray


def _crossed(start: FloatArray, ends: FloatArray, lines: FloatArray) -> BoolArray:
    """Return which sights (k,) from a start (2,) to ends (k, 2) cross a line of lines (m, 2, 2)."""
    a, b = lines[:, 0], lines[:, 1]
    side = cross(b, ends[:, None], a) * cross(b, start, a)
    other = cross(ends[:, None], a, start) * cross(ends[:, None], b, start)
    return np.asarray(((side < 0.0) & (other < 0.0)).any(axis=1))


def _carried(
    mesh: Mesh,
    seen: tuple[IntArray, IntArray],
    own: BoolArray,
    edges: IntArray,
) -> _Carried:
    ends = mesh.place[edges, :2]
    middle, along = ends.mean(axis=1), ends[:, 1] - ends[:, 0]
    length = np.hypot(*along.T)
    near, there = _nearest(mesh, seen, own, middle)
    step = mesh.place[near, :2] - middle[:, None]
    away = np.where(there, np.hypot(step[..., 0], step[..., 1]), np.nan)
    row = np.concatenate([np.ones((*near.shape, 1)), step], axis=2)
    row[..., 1:] /= np.maximum(length, 1e-9)[:, None, None]
    row *= there[..., None]
    normal = np.einsum("eki,ekj->eij", row, row)
    spread = normal[:, 1:, 1:] - normal[:, 1:, :1] * normal[:, :1, 1:] / np.maximum(
        normal[:, :1, :1], 1.0
    )
    values = np.linalg.eigvalsh(spread)
    sound = (there.sum(axis=1) >= FEWEST) & (values[:, 0] > ON_A_LINE**2 * values[:, 1])
    with np.errstate(invalid="ignore"):
        least, most = (
            of(np.nan_to_num(away, nan=n), axis=1) for of, n in ((np.min, np.inf), (np.max, 0.0))
        )
        sound &= (most <= REACH * length) & (2.0 * least <= most)
    normal[~sound] = np.eye(3)
    solved = np.einsum("eij,ekj->eki", np.linalg.inv(normal), row)
    sound &= np.einsum("eki,eki->ek", solved, row).max(axis=1) < ALONE
    height = (mesh.height[near] - mesh.height[near[:, :1]]) * there
    plane = np.einsum("eki,ek->ei", solved, height)
    off = (height - np.einsum("eki,ei->ek", row, plane)) * there
    scatter = (off**2).sum(axis=1) / np.maximum(there.sum(axis=1) - 3, 1)
    rise = (plane[:, 1:] * along).sum(axis=1) / np.maximum(length, 1e-9)
    return _Carried(near, solved[..., 0], off, scatter, rise, sound)


def _nearest(
    mesh: Mesh, seen: tuple[IntArray, IntArray], own: BoolArray, middle: FloatArray
) -> tuple[IntArray, BoolArray]:
    """Return the nearest of ``own`` vertices that each edge sees (e, k), and which are there."""
    edge, vertex = seen
    keep = own[vertex]
    edge, vertex = edge[keep], vertex[keep]
    away = np.hypot(*(mesh.place[vertex, :2] - middle[edge]).T)
    order = np.lexsort([away, edge])
    edge, vertex = edge[order], vertex[order]
    rank = np.arange(len(edge)) - np.searchsorted(edge, edge)
    first = rank < NEAREST
    near = np.zeros((len(middle), NEAREST), dtype=np.int64)
    there = np.zeros(near.shape, dtype=bool)
    near[edge[first], rank[first]] = vertex[first]
    there[edge[first], rank[first]] = True
    return near, there


def _shape(spread: VertexSpread, side: _Carried, sound: BoolArray) -> tuple[float, float]:
    """Return what the ground's shape adds to the variance of a point, and of the step (m^2)."""
    off, near = side.off[sound], side.near[sound]
    count = max(off.shape[1], 1)
    own = spread.weights.power(2) @ spread.points.own**2
    scatter = float(side.scatter[sound].mean())
    independent = max(len(np.unique(near)) / count, 1.0)
    even = float((off.mean(axis=0) ** 2).mean()) - (1.0 - 3.0 / count) * scatter / independent
    return max(scatter - float(own[near].mean()), 0.0), CARRIED**2 * max(even, 0.0)


def _expected(spread: VertexSpread, edges: IntArray) -> float:
    """Return the sd of the mean difference over the seam by what points have in common."""
    count = len(edges)
    values = np.concatenate([np.full((1, count), -1.0), np.full((1, count), 1.0)], axis=1) / count
    row = spread.rows(edges.T.reshape(1, -1), values)
    return float(np.linalg.norm(row @ spread.points.common))
