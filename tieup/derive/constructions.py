"""The geometry of derived points: a place from the places of a few others, and its derivatives.

Places are (3,) N, E, H in m; a plan direction u has its right-hand normal at (-u_E, u_N). Every
construction returns the derivatives by all coordinates of its parents, in their order, so that
covariances can be carried through (law of propagation of variances). A height that is not known
is NaN in the place and never in the derivatives.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.model.arrays import FloatArray

RIGHT = np.array([[0.0, -1.0], [1.0, 0.0]])  # turns a plan vector a right angle clockwise
TURNS_BACK = 2.0 * np.sin(np.radians(15.0)) ** 2  # 1 + cos of a bend of 150 degrees; our choice


@dataclass(frozen=True)
class Built:
    """A constructed ``place`` (3,) in m and its ``jacobian`` (3, 3 k) by k parents."""

    place: FloatArray
    jacobian: FloatArray


@dataclass(frozen=True)
class Crossed:
    """Where two lines cross.

    ``angle`` (rad) is the smaller angle between them and ``turning`` (12,) its derivatives but
    for sign; ``gap`` (m) is how far the second line passes above the first. ``along`` are the
    places on both lines: 0 at the first point of each, 1 at the second.
    """

    built: Built
    angle: float
    turning: FloatArray
    gap: float
    along: tuple[float, float]


def polar(origin: FloatArray, bearing: float, distance: float, grade: float) -> Built:
    """Return the point at a bearing (rad) and horizontal distance (m), rising at ``grade``."""
    away = distance * np.array([np.cos(bearing), np.sin(bearing), grade])
    return Built(origin + away, np.eye(3))


def mean(places: FloatArray) -> Built:
    """Return the mean of ``places`` (k, 3)."""
    return Built(places.mean(axis=0), np.tile(np.eye(3) / len(places), len(places)))


def typed_elevation(place: FloatArray, elevation: float) -> Built:
    """Return a place with another elevation, which no mark explains."""
    return Built(np.array([place[0], place[1], elevation]), np.diag([1.0, 1.0, 0.0]))


def crossing(places: FloatArray) -> Crossed | None:
    """Return where the line of the first two ``places`` (4, 3) crosses that of the other two.

    The crossing X lies on both lines. With n = R u the normal of a line and t the place of X
    along it, n . dX = n . ((1 - t) da + t db) for either line: two equations for dX.
    None where the lines are parallel to the last digit or two points of one are the same.
    """
    flat, height = places[:, :2], places[:, 2]
    u, v = flat[1] - flat[0], flat[3] - flat[2]
    normals = np.array([RIGHT @ u, RIGHT @ v])
    sine = np.linalg.det(normals)
    if abs(sine) <= 1e-12 * max(u @ u, v @ v):
        return None
    t, s = np.linalg.solve(np.column_stack([u, -v]), flat[2] - flat[0])
    weights = np.array([[1.0 - t, t, 0.0, 0.0], [0.0, 0.0, 1.0 - s, s]])
    moves = np.linalg.solve(normals, np.einsum("lk,li->lki", weights, normals).reshape(2, 8))
    rise, other = height[1] - height[0], height[3] - height[2]
    along = u @ (moves - np.einsum("k,ij->ikj", weights[0], np.eye(2)).reshape(2, 8)) / (u @ u)
    jacobian = np.zeros((3, 4, 3))
    jacobian[:2, :, :2] = moves.reshape(2, 4, 2)
    jacobian[2, :, :2] = np.nan_to_num(rise) * along.reshape(4, 2)
    jacobian[2, :, 2] = weights[0]
    up = height[0] + t * rise
    plan = flat[0] + t * u
    return Crossed(
        built=Built(np.array([*plan, up]), jacobian.reshape(3, 12)),
        angle=float(np.arctan2(abs(sine), abs(u @ v))),
        turning=_turning(u, v),
        gap=float(height[2] + s * other - up),
        along=(float(t), float(s)),
    )


def _turning(u: FloatArray, v: FloatArray) -> FloatArray:
    """Return the derivatives (12,) of the angle from line u to line v by their four points."""
    first, second = RIGHT @ u / (u @ u), RIGHT @ v / (v @ v)
    turning = np.zeros((4, 3))
    turning[:, :2] = [first, -first, -second, second]
    return turning.reshape(12)


def offset_vertex(
    before: FloatArray | None, at: FloatArray, after: FloatArray | None, aside: float, rise: float
) -> Built | None:
    """Return a vertex of a line moved ``aside`` (m, right positive) and up by ``rise`` (m).

    Between two legs with right-hand normals n1 and n2 it goes to the mitre, where both moved
    legs meet: aside * (n1 + n2) / (1 + n1 . n2). ``before`` and ``after`` (3,) are its
    neighbours, None at an end; parents are those that there are, in order, with ``at`` between.
    None where the line turns back so sharply that the mitre runs away.
    """
    line = [place for place in (before, at, after) if place is not None]
    units = [_unit(end[:2] - start[:2]) for start, end in pairwise(line)]
    normals = [RIGHT @ u for u, _ in units]
    total = np.sum(normals, axis=0)
    spread = 1.0 + normals[0] @ normals[1] if len(normals) == 2 else 1.0
    if spread < TURNS_BACK:
        return None
    parents = len(line)
    middle = int(before is not None)
    moves = np.zeros((2, parents, 2))
    moves[:, middle] = np.eye(2)
    for leg, (_, stretch) in enumerate(units):
        by_normal = np.eye(2) / spread
        if len(normals) == 2:
            by_normal = by_normal - np.outer(total, normals[1 - leg]) / spread**2
        by_end = aside * by_normal @ RIGHT @ stretch
        moves[:, leg] -= by_end
        moves[:, leg + 1] += by_end
    jacobian = np.zeros((3, parents, 3))
    jacobian[:2, :, :2] = moves
    jacobian[2, middle, 2] = 1.0
    plan = at[:2] + aside * total / spread
    return Built(np.array([*plan, at[2] + rise]), jacobian.reshape(3, 3 * parents))


def _unit(leg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the direction (2,) of a leg and its derivatives (2, 2) by the leg's far end."""
    length = float(np.hypot(*leg))
    u = leg / length
    return u, (np.eye(2) - np.outer(u, u)) / length


def foot_on_leg(point: FloatArray, start: FloatArray, end: FloatArray, fall: float) -> Built:
    """Return the perpendicular foot of ``point`` on a leg, lower by fall times the distance.

    Parents are ``point``, ``start``, ``end``. The foot is start + t u with u the leg and
    t = (point - start) . u / u . u.
    """
    p, a = point[:2], start[:2]
    u = end[:2] - a
    size = u @ u
    t = float((p - a) @ u / size)
    far = p - a - 2.0 * t * u
    by_t = np.array([u, -u - far, far]) / size
    moves = np.einsum("k,ij->ikj", np.array([0.0, 1.0 - t, t]), np.eye(2))
    moves += np.einsum("i,kj->ikj", u, by_t)
    return _fallen(point, a + t * u, moves, fall)


def foot_at_vertex(point: FloatArray, vertex: FloatArray, fall: float) -> Built:
    """Return a vertex as the nearest place to ``point``, its height from that of the point."""
    moves = np.stack([np.zeros((2, 2)), np.eye(2)], axis=1)
    return _fallen(point, vertex[:2], moves, fall)


def _fallen(point: FloatArray, foot: FloatArray, moves: FloatArray, fall: float) -> Built:
    """Return the foot at the height of ``point`` less fall times distance.

    ``moves`` (2, k, 2): derivatives of the foot by its k parents, the first one the point.
    A point that lies on the line has no distance to be unsure of.
    """
    away = point[:2] - foot
    distance = float(np.hypot(*away))
    towards = away / distance if distance > 0.0 else np.zeros(2)
    by_distance = -np.einsum("i,ikj->kj", towards, moves)
    by_distance[0] += towards
    jacobian = np.zeros((3, moves.shape[1], 3))
    jacobian[:2, :, :2] = moves
    jacobian[2, :, :2] = -fall * by_distance
    jacobian[2, 0, 2] = 1.0
    place = np.array([*foot, point[2] - fall * distance])
    return Built(place, jacobian.reshape(3, 3 * moves.shape[1]))
