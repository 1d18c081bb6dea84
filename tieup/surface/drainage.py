"""Does it drain: what the heights prove, what they refute, and what nobody can tell.

Water stands on a surface of triangles exactly where a vertex that is no outlet has no lower
neighbour. So

    drains       every such vertex has a neighbour that lies lower beyond chance; the best of its
                 k neighbours is held to alpha / k (Bonferroni), and as all must pass each is
                 tested at the whole alpha (intersection-union test, Berger, 1982)
    holds        every vertex around a pond lies higher than its lowest vertex beyond chance. All
                 must, so alpha is not divided by them, but by the m vertices that are not proved
                 to drain: any of them might look like a pond by chance
    cannot tell  neither

Where no vertex is tested, all being outlets, the triangles must fall themselves: of one that does,
two of three corners differ in height beyond chance; the corners of one that does not are tested
like vertices.

with the joint covariance of the heights: what is common to a setup cancels within it. alpha is
(1 - confidence) / 2 for each word.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from tieup.adjust.distributions import normal_critical
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.surface.mesh import NEXT, Mesh, greatest
from tieup.surface.spread import VertexSpread
from tieup.surface.water import Filled, Ponds, filled, ponds_of

SURE = np.finfo(float).max  # sds of a drop between heights that are known exactly
DRAINS, HOLDS, CANNOT_TELL = "drains", "holds", "cannot tell"


@dataclass(frozen=True)
class UndrainedPlaces:
    """Places (p,) that are not proved to drain: ponds first, then spots without standing water.

    ``vertex`` is the lowest of a pond, or the least sure of a spot; ``toward`` the vertex that
    water would leave over (the spill of a pond, the best neighbour of a spot; -1 for none).
    ``depth`` (m) of water, and its ``sd``; of a spot the depth is 0 and ``drop`` says how far it
    falls to ``toward``. By how much to raise it: `tieup.surface.raising`.
    """

    vertex: IntArray
    toward: IntArray
    depth: FloatArray
    drop: FloatArray
    sd: FloatArray
    area: FloatArray
    volume: FloatArray
    sd_volume: FloatArray
    verdict: TextArray
    of_vertex: IntArray

    def __len__(self) -> int:
        return len(self.vertex)


@dataclass(frozen=True)
class Drainage:
    """Whether a surface drains: ``verdict`` of the whole, the ``places`` that are in the way.

    ``inner`` is how many vertices are tested; those that let water away are not.
    """

    verdict: str
    inner: int
    places: UndrainedPlaces
    water: Filled
    ponds: Ponds
    outlet: BoolArray


def outlets_of(mesh: Mesh, inlets: IntArray, walls: IntArray) -> BoolArray:
    """Return the vertices (v,) that let water away: inlets, and the edge but for ``walls``."""
    outlet = np.zeros(len(mesh.place), dtype=bool)
    outlet[mesh.border()[0]] = True
    outlet[walls] = False
    outlet[inlets] = True
    return outlet


def drainage_of(mesh: Mesh, spread: VertexSpread, outlet: BoolArray, confidence: float) -> Drainage:
    """Say of a surface whether it drains to its outlets (v,)."""
    water = filled(mesh.height, mesh.edges, outlet | ~mesh.used)
    ponds = ponds_of(mesh, water)
    alpha = 0.5 * (1.0 - confidence)
    best, drop, sd, need = _best_neighbours(mesh, spread, alpha)
    inner = mesh.used & ~outlet
    tested = inner if inner.any() else _level(mesh, spread, alpha)
    open_ = tested & ~(drop > need * sd)
    wet = ponds.of_vertex >= 0
    places = _ponds(mesh, spread, ponds, alpha / max(int(open_.sum()), 1))
    spots = _spots(mesh, open_, wet, (best, drop, sd, need))
    places = _joined(places, spots, len(ponds))
    found = set(places.verdict.tolist())
    verdict = HOLDS if HOLDS in found else CANNOT_TELL if found else DRAINS
    return Drainage(verdict, int(inner.sum()), places, water, ponds, outlet)


def _level(mesh: Mesh, spread: VertexSpread, alpha: float) -> BoolArray:
    """Return the vertices (v,) of triangles whose corners are level within chance."""
    ends = np.stack([mesh.faces, mesh.faces[:, NEXT]], axis=-1).reshape(-1, 2)
    fall = np.abs(mesh.height[ends[:, 0]] - mesh.height[ends[:, 1]])
    falls = fall > normal_critical(alpha / 3.0) * spread.sd_between(*ends.T)
    level = np.zeros(len(mesh.place), dtype=bool)
    level[mesh.faces[~falls.reshape(-1, 3).any(axis=1)]] = True
    return level


def _best_neighbours(
    mesh: Mesh, spread: VertexSpread, alpha: float
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Return for each vertex the neighbour that it falls to most surely, drop, sd and quantile."""
    count = len(mesh.place)
    a, b, edge = mesh.spokes
    drop, sd = mesh.height[a] - mesh.height[b], spread.sd_between(*mesh.edges.T)[edge]
    known = sd == 0.0  # exactly: any drop is sure
    clear = drop / np.where(known, 1.0, sd)
    clear[known] = np.copysign(SURE, drop[known]) * (drop[known] != 0.0)
    first = greatest(a, clear)
    best = np.full(count, -1)
    fall, spreads = np.full(count, -np.inf), np.zeros(count)
    best[a[first]], fall[a[first]], spreads[a[first]] = b[first], drop[first], sd[first]
    return best, fall, spreads, quantiles(mesh, alpha)


def quantiles(mesh: Mesh, alpha: float) -> FloatArray:
    """Return how many sds each vertex (v,) must fall to one of its neighbours to be proved."""
    degree = np.bincount(mesh.spokes[0], minlength=len(mesh.place))
    critical = normal_critical(alpha / np.maximum(np.arange(degree.max(initial=0) + 1), 1))
    return np.asarray(critical[degree])


def _ponds(mesh: Mesh, spread: VertexSpread, ponds: Ponds, alpha: float) -> UndrainedPlaces:
    low, spill = ponds.lowest, ponds.spill
    away = spill >= 0
    over = np.column_stack([np.where(away, spill, low), low])
    sd = spread.sd(over, np.tile([1.0, -1.0], (len(low), 1)))
    rim_pond, rim = _rims(mesh, ponds)
    ends = np.column_stack([rim, low[rim_pond]])
    higher = mesh.height[rim] - mesh.height[low[rim_pond]]
    sure = higher > normal_critical(alpha) * spread.sd(ends, np.tile([1.0, -1.0], (len(rim), 1)))
    holds = np.ones(len(low), dtype=bool)
    holds[rim_pond[~sure]] = False
    depth = np.where(away, ponds.depth, np.inf)
    volume_rows = _by_height(ponds, len(mesh.place)) @ mesh.weights
    return UndrainedPlaces(
        vertex=low,
        toward=spill,
        depth=depth,
        drop=-depth,
        sd=np.where(away, sd, np.nan),
        area=ponds.area,
        volume=ponds.volume,
        sd_volume=np.where(away, spread.points.sd(volume_rows), np.nan),
        verdict=np.where(holds, HOLDS, CANNOT_TELL).astype(object),
        of_vertex=ponds.of_vertex,
    )


def _by_height(ponds: Ponds, count: int) -> csr_array:
    """Return the derivatives (p, v) of the volumes by the heights of vertices."""
    rows = np.flatnonzero(ponds.spill >= 0)
    shape = (len(ponds), count)
    by_level = csr_array((ponds.area[rows], (rows, ponds.spill[rows])), shape=shape)
    return csr_array(by_level - ponds.held)


def _rims(mesh: Mesh, ponds: Ponds) -> tuple[IntArray, IntArray]:
    """Return pond and vertex (r,) of all that stands around the ponds."""
    a, b, _ = mesh.spokes
    around = (ponds.of_vertex[a] >= 0) & (ponds.of_vertex[b] != ponds.of_vertex[a])
    return ponds.of_vertex[a[around]], b[around]


def _spots(
    mesh: Mesh,
    open_: BoolArray,
    wet: BoolArray,
    best: tuple[IntArray, FloatArray, FloatArray, FloatArray],
) -> UndrainedPlaces:
    """Return spots without water that are not proved to drain; those beside ponds are theirs."""
    toward, drop, sd, need = best
    own = np.flatnonzero(open_ | wet)
    inside = (open_ | wet)[mesh.edges].all(axis=1)
    shape = (len(open_), len(open_))
    edges = mesh.edges[inside]
    graph = csr_array((np.ones(len(edges), dtype=bool), edges.T), shape=shape)
    label = connected_components(graph, directed=False)[1]
    own = own[~np.isin(label[own], label[wet])]
    short = need * sd - drop
    order = own[np.lexsort([-short[own], label[own]])]
    worst = order[np.diff(label[order], prepend=-1) != 0]
    of_vertex = np.full(len(open_), -1)
    of_vertex[own] = np.searchsorted(label[worst], label[own])
    nothing = np.zeros(len(worst))
    return UndrainedPlaces(
        vertex=worst,
        toward=toward[worst],
        depth=nothing,
        drop=drop[worst],
        sd=sd[worst],
        area=nothing,
        volume=nothing,
        sd_volume=nothing,
        verdict=np.full(len(worst), CANNOT_TELL, dtype=object),
        of_vertex=of_vertex,
    )


def _joined(ponds: UndrainedPlaces, spots: UndrainedPlaces, count: int) -> UndrainedPlaces:
    names = [name for name in UndrainedPlaces.__dataclass_fields__ if name != "of_vertex"]
    whole = {name: np.concatenate([getattr(ponds, name), getattr(spots, name)]) for name in names}
    shifted = np.where(spots.of_vertex >= 0, spots.of_vertex + count, ponds.of_vertex)
    return UndrainedPlaces(**whole, of_vertex=shifted)
