"""Start values of what azimuths and horizontal distances place, sight by sight.

A sight with an azimuth, with a distance alone, or of a setup without any circle reading is a line
between two nodes: the mark occupied (or the axis of a free setup) and the mark sighted. Lines with
azimuth and distance hang their nodes on each other as vectors do; nodes that are left follow from
the rays and circles that cross there, then from distances alone (`tieup.network.trilateration`),
and what crosses nowhere from all its rays at once, which is a linear system.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Vectors
from tieup.model.observations import DIRECTION, DISTANCE, Sights
from tieup.network.placing import spread_rows
from tieup.network.polar_sets import ANGULAR, PLAIN, SURE
from tieup.network.resection import cross_circles, intersect, ray_on_circle
from tieup.network.rigid import ComplexArray
from tieup.network.trilateration import trilaterate
from tieup.network.vectors import hung_places

NOWHERE = complex(np.nan, np.nan)
LOOSE = 5.0  # times the tolerance: how far two answers must lie apart to be two
DETERMINED = 1e-7  # relative size of a free motion of a linear system


@dataclass(frozen=True)
class HorizontalLines:
    """Lines between nodes, shape (n,): marks 0..P-1, then the axes of free setups.

    ``azimuth`` (rad) and ``length`` (m) are NaN where not observed, ``sharp`` (rad) and ``along``
    (m) what good ones stay within.
    """

    start: IntArray
    end: IntArray
    azimuth: FloatArray
    length: FloatArray
    sharp: FloatArray
    along: FloatArray

    def __len__(self) -> int:
        return len(self.start)

    @property
    def whole(self) -> BoolArray:
        """Return which lines (n,) have azimuth and length."""
        return np.asarray(np.isfinite(self.azimuth + self.length))

    def take(self, rows: IntArray | BoolArray) -> HorizontalLines:
        """Return the chosen lines."""
        return HorizontalLines(*(column[rows] for column in vars(self).values()))


def without_circle(sights: Sights, setups: int) -> BoolArray:
    """Return the setups (S,) that have sights and no reading of the horizontal circle."""
    read = np.isfinite(sights.value[:, DIRECTION]) & ~sights.azimuth
    count = np.bincount(sights.setup[read], minlength=setups)
    return np.asarray((count == 0) & (np.bincount(sights.setup, minlength=setups) > 0))


def plan_lines(
    sights: Sights, station: IntArray, horizontal: FloatArray, points: int
) -> HorizontalLines:
    """Return the lines of azimuths, of bare distances, and of setups without circle readings.

    ``station`` (S,) is the occupied mark or -1, ``horizontal`` (k,) the horizontal distances.
    """
    setups = len(station)
    bare = np.isnan(sights.value[:, DIRECTION]) & np.isfinite(horizontal)
    rows = np.flatnonzero(sights.azimuth | bare | without_circle(sights, setups)[sights.setup])
    node = np.where(station >= 0, station, points + np.arange(setups))
    sd = np.nan_to_num(sights.pointing_sd[rows])
    return HorizontalLines(
        start=node[sights.setup[rows]],
        end=sights.point[rows],
        azimuth=np.where(sights.azimuth[rows], sights.value[rows, DIRECTION], np.nan),
        length=horizontal[rows],
        sharp=ANGULAR + SURE * sd[:, DIRECTION],
        along=PLAIN + SURE * sd[:, DISTANCE],
    )


def place_nodes(
    lines: HorizontalLines, known: ComplexArray, sd: FloatArray, rough: ComplexArray | None
) -> ComplexArray:
    """Return where lines place the nodes (n,) in the frame of the known ones, NaN where not.

    Parameters
    ----------
    known, sd
        Shape (n,): places in m, NaN where open, and their sds.
    rough
        Shape (n,): rough places, only to tell an answer from its mirror image; None leaves out
        what distances alone place.

    Without any known node the largest piece lies anywhere, north where its azimuths say.
    """
    place = known.copy()
    if not np.isfinite(place).any():
        place = _on_itself(lines, len(known))
    else:
        place = _hung(lines, place, sd)
    while True:
        before = int(np.isfinite(place).sum())
        _cross(lines, place)
        if int(np.isfinite(place).sum()) == before and rough is not None:
            trilaterate(lines.start, lines.end, lines.length, lines.along, place, rough)
        if int(np.isfinite(place).sum()) == before:
            _all_at_once(lines, place)
        if int(np.isfinite(place).sum()) == before:
            return place


def _vectors(lines: HorizontalLines) -> Vectors:
    """Return the lines with azimuth and length as vectors, their heights 0."""
    own = lines.take(lines.whole)
    offset = own.length * np.exp(1j * own.azimuth)
    near = np.maximum(own.along, own.sharp * own.length) / SURE
    covariance = near[:, None, None] ** 2 * np.eye(3)
    level = np.column_stack([offset.real, offset.imag, np.zeros(len(own))])
    return Vectors(np.flatnonzero(lines.whole), own.start, own.end, level, covariance)


def _hung(lines: HorizontalLines, known: ComplexArray, sd: FloatArray) -> ComplexArray:
    """Return the places (n,) of known nodes and of those that whole lines hang on them."""
    vectors = _vectors(lines)
    if not len(vectors):
        return known
    columns = np.column_stack([known.real, known.imag])
    place, piece = hung_places(vectors, columns, np.column_stack([sd, sd]), held=True)
    return np.where(np.isfinite(known), known, np.where(piece == 0, place, NOWHERE))


def _on_itself(lines: HorizontalLines, nodes: int) -> ComplexArray:
    """Return the places of the largest piece of whole lines, else of one node with a ray."""
    place = np.full(nodes, NOWHERE)
    vectors = _vectors(lines)
    if len(vectors):
        nothing = np.full((nodes, 2), np.nan)
        found, piece = hung_places(vectors, nothing, nothing, held=False)
        return np.where(piece == 0, found, NOWHERE)
    directed = np.flatnonzero(np.isfinite(lines.azimuth))
    if len(directed):
        ends = np.concatenate([lines.start[directed], lines.end[directed]])
        place[np.argmax(np.bincount(ends))] = 0.0
    return place


def _cross(lines: HorizontalLines, place: ComplexArray) -> None:
    """Place nodes where rays and circles of placed ones cross, as long as any is gained."""
    gained = True
    while gained:
        gained = False
        for node in np.flatnonzero(~np.isfinite(place)).tolist():
            found = _crossing(_toward(lines, node, place), place)
            if found is not None:
                place[node] = found
                gained = True


def _toward(lines: HorizontalLines, node: int, place: ComplexArray) -> HorizontalLines:
    """Return the lines of a node that end at placed ones, as seen from those."""
    out = lines.take((lines.end == node) & np.isfinite(place[lines.start]))
    back = lines.take((lines.start == node) & np.isfinite(place[lines.end]))
    return HorizontalLines(
        np.concatenate([out.start, back.end]),
        np.concatenate([out.end, back.start]),
        np.concatenate([out.azimuth, back.azimuth + np.pi]),
        *(
            np.concatenate([getattr(out, n), getattr(back, n)])
            for n in ("length", "sharp", "along")
        ),
    )


def _crossing(lines: HorizontalLines, place: ComplexArray) -> complex | None:
    """Return the place that most of the lines agree on, None where none or two stand out."""
    if np.isfinite(lines.azimuth).sum() + np.isfinite(lines.length).sum() < 2:
        return None
    origin = place[lines.start]
    points = _candidates(origin, lines)
    points = points[np.isfinite(points)]
    if not len(points):
        return None
    misfit = misfits(points, origin, lines)
    count = np.nansum(misfit <= 1.0, axis=1)
    cost = np.nansum(np.minimum(misfit, 1.0), axis=1)
    best = int(np.lexsort((cost, -count))[0])
    reach = LOOSE * float(np.max(lines.along + lines.sharp * np.abs(points[best] - origin)))
    rival = (count == count[best]) & (np.abs(points - points[best]) > reach)
    if rival.any() and not np.isfinite(lines.azimuth).any():
        return None  # two circles cross twice: more distances decide
    return complex(points[best])


def misfits(points: ComplexArray, origin: ComplexArray, lines: HorizontalLines) -> FloatArray:
    """Return how far azimuths and lengths miss each point over what they stay within (h, 2n)."""
    ray = points[:, None] - origin
    turned = ray * np.exp(-1j * lines.azimuth)
    across = np.where(turned.real > 0.0, np.abs(turned.imag), np.abs(ray))
    across = across / (PLAIN + lines.sharp * np.abs(ray))
    along = np.abs(np.abs(ray) - lines.length) / lines.along
    return np.concatenate([np.where(np.isfinite(lines.azimuth), across, np.nan), along], axis=1)


def _candidates(origin: ComplexArray, lines: HorizontalLines) -> ComplexArray:
    """Return where pairs of rays, of circles, and of a ray and a circle meet."""
    directed = spread_rows(np.flatnonzero(np.isfinite(lines.azimuth)), lines.azimuth)
    measured = spread_rows(np.flatnonzero(np.isfinite(lines.length)), lines.length)
    polar = origin + lines.length * np.exp(1j * lines.azimuth)
    points = [polar[np.isfinite(polar)]]
    if len(directed) > 1:
        pairs = np.array(list(combinations(directed, 2)))
        points.append(intersect(origin[pairs], lines.azimuth[pairs]))
    if len(measured) > 1:
        pairs = np.array(list(combinations(measured, 2)))
        points.append(cross_circles(origin[pairs], lines.length[pairs]).ravel())
    one, two = (grid.ravel() for grid in np.meshgrid(directed, measured))
    one, two = one[one != two], two[one != two]
    if len(one):
        ray = (origin[one], lines.azimuth[one])
        points.append(ray_on_circle(*ray, origin[two], lines.length[two]).ravel())
    return np.concatenate(points)


def _all_at_once(lines: HorizontalLines, place: ComplexArray) -> None:
    """Place what rays that cross nowhere by twos place together: a linear system.

    A ray in azimuth a from i to j:  (E_j - E_i) cos a - (N_j - N_i) sin a = 0, and where its length
    is known too  (N_j - N_i) cos a + (E_j - E_i) sin a = length.
    """
    rows = np.flatnonzero(np.isfinite(lines.azimuth))
    own = lines.take(rows)
    nodes = np.unique(np.concatenate([own.start, own.end]))
    open_ = nodes[~np.isfinite(place[nodes])]
    if not len(open_) or len(open_) == len(nodes):
        return
    number = np.full(len(place), -1)
    number[open_] = np.arange(len(open_))
    design, right = _linear(own, number, place)
    solved, _, rank, _ = np.linalg.lstsq(design, right, rcond=DETERMINED)
    free = np.zeros(2 * len(open_))
    if rank < design.shape[1]:
        _, _, rows_ = np.linalg.svd(design)
        free = np.abs(rows_[rank:]).max(axis=0)
    fixed = (free.reshape(-1, 2) < np.sqrt(DETERMINED)).all(axis=1)
    found = solved[0::2] + 1j * solved[1::2]
    place[open_[fixed]] = found[fixed]


def _linear(
    lines: HorizontalLines, number: IntArray, place: ComplexArray
) -> tuple[FloatArray, FloatArray]:
    """Return the rows (2n, 2u) and right side (2n,) of rays and lengths, 0 where not observed."""
    cosine, sine = np.cos(lines.azimuth), np.sin(lines.azimuth)
    whole = lines.whole.astype(np.float64)
    across = np.column_stack([-sine, cosine])
    along = np.column_stack([cosine, sine]) * whole[:, None]
    design = np.zeros((2 * len(lines), 2 * int(number.max() + 1)))
    right = np.concatenate([np.zeros(len(lines)), np.nan_to_num(lines.length) * whole])
    for sign, node in ((-1.0, lines.start), (1.0, lines.end)):
        for first, part in ((0, across), (len(lines), along)):
            rows = first + np.arange(len(lines))
            unknown = number[node] >= 0
            for component in range(2):
                column = 2 * number[node[unknown]] + component
                np.add.at(design, (rows[unknown], column), sign * part[unknown, component])
            there = place[node[~unknown]]
            given = part[~unknown, 0] * there.real + part[~unknown, 1] * there.imag
            right[rows[~unknown]] -= sign * given
    return design, right
