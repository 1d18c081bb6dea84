"""Start values of nodes that distances alone place.

Two circles cross twice, and a net of distances fits its mirror image: which of the two it is shows
only where a third distance, or a rough place, tells. So every crossing is carried on as a story of
its own, the best few of them, until further distances end all but one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.errors import NetworkError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.network.resection import cross_circles
from tieup.network.rigid import ComplexArray

MOST_STORIES = 64
TOLD = 2.0  # how much better a story must fit, in squared tolerances, to be the only one
APART = 0.5  # metres; two places further apart are two


@dataclass
class NetPlacing:
    """One way to place the nodes, and its truncated squared misfit."""

    place: ComplexArray
    cost: float


class AmbiguousNetError(NetworkError):
    """Distances that fit two places of the same nodes alike: ``nodes`` are their numbers."""

    def __init__(self, nodes: tuple[int, ...]) -> None:
        super().__init__("distances alone fit a site and its mirror image")
        self.nodes = nodes


def trilaterate(
    start: IntArray,
    end: IntArray,
    length: FloatArray,
    along: FloatArray,
    place: ComplexArray,
    rough: ComplexArray,
) -> None:
    """Place what distances place among the nodes of ``place`` (n,), in place.

    ``start``, ``end`` (l,) number nodes, ``length`` and ``along`` (l,) in m are the distances and
    what good ones stay within. Where no node is placed yet, the largest group of nodes that
    distances join gets a frame of its own. ``rough`` (n,) as in `place_nodes`.

    Raises
    ------
    AmbiguousNetError
        Two places fit alike, and neither known nor rough ones tell them apart.
    """
    measured = np.flatnonzero(np.isfinite(length))
    near = _neighbours(start[measured], end[measured], length[measured], along[measured])
    own_frame = not np.isfinite(place).any()
    stories = [NetPlacing(place.copy(), 0.0)]
    if own_frame and not _seed(near, stories[0].place):
        return
    while (node := _next(near, stories[0].place)) is not None:
        stories = _carried_on(stories, node, near[node])
        if not stories:
            return
    if len(stories) > 1 or own_frame:
        stories = [_told(stories, rough, np.isfinite(place), own_frame)]
    place[:] = stories[0].place


Near = dict[int, list[tuple[int, float, float]]]


def _neighbours(start: IntArray, end: IntArray, length: FloatArray, along: FloatArray) -> Near:
    """Return for each node the nodes it has a distance to, with length and tolerance."""
    near: Near = {}
    columns = zip(start.tolist(), end.tolist(), length.tolist(), along.tolist(), strict=True)
    for one, two, far, within in columns:
        near.setdefault(one, []).append((two, far, within))
        near.setdefault(two, []).append((one, far, within))
    return near


def _seed(near: Near, place: ComplexArray) -> bool:
    """Lay the longest distance that a triangle stands on along north; False where none does."""
    best = (0.0, -1, -1)
    for one, others in near.items():
        for two, far, _ in others:
            common = {n for n, _, _ in others} & {n for n, _, _ in near[two]}
            if common and far > best[0]:
                best = (far, one, two)
    if best[1] < 0:
        return False
    place[best[1]], place[best[2]] = 0.0, best[0]
    return True


def _next(near: Near, place: ComplexArray) -> int | None:
    """Return the open node with the most distances to placed ones, None where none has two."""
    count = {
        node: len({n for n, _, _ in others if np.isfinite(place[n])})
        for node, others in near.items()
        if not np.isfinite(place[node])
    }
    node = max(count, key=lambda n: (count[n], -n), default=None)
    return node if node is not None and count[node] >= 2 else None


def _carried_on(
    stories: list[NetPlacing], node: int, near: list[tuple[int, float, float]]
) -> list[NetPlacing]:
    """Return the best stories with the node placed in each by each crossing of two circles."""
    found = []
    for story in stories:
        known = [(n, far, within) for n, far, within in near if np.isfinite(story.place[n])]
        origin = np.array([story.place[n] for n, _, _ in known])
        far, within = np.array([(far, within) for _, far, within in known]).T
        for where in _crossings(origin, far, within):
            place = story.place.copy()
            place[node] = where
            misfit = (np.abs(where - origin) - far) / within
            found.append(NetPlacing(place, story.cost + float(np.minimum(misfit**2, 9.0).sum())))
    found.sort(key=lambda story: story.cost)
    return found[:MOST_STORIES]


def _crossings(origin: ComplexArray, far: FloatArray, within: FloatArray) -> list[complex]:
    """Return the crossings of the circles that are places of their own, the best two of them."""
    one, two = np.triu_indices(len(origin), 1)
    pairs = np.column_stack([one, two])
    points = cross_circles(origin[pairs], far[pairs]).ravel()
    points = points[np.isfinite(points)]
    misfit = np.abs(np.abs(points[:, None] - origin) - far) / within
    cost = np.minimum(misfit**2, 9.0).sum(axis=1)
    kept: list[complex] = []
    for row in np.argsort(cost, kind="stable").tolist():
        if len(kept) < 2 and all(abs(points[row] - other) > APART for other in kept):
            kept.append(complex(points[row]))
    return kept


def _told(
    stories: list[NetPlacing], rough: ComplexArray, known: BoolArray, own_frame: bool
) -> NetPlacing:
    """Return the only story: the one that fits best, or that rough places tell from the others.

    Raises
    ------
    AmbiguousNetError
        Nothing tells two stories apart.
    """
    rivals = [s for s in stories if s.cost <= stories[0].cost + TOLD]
    if own_frame:  # its mirror image fits as well
        rivals += [NetPlacing(np.conj(story.place), story.cost) for story in rivals]
    if len(rivals) == 1:
        return rivals[0]
    gap = np.array([_gap(story.place, rough, own_frame) for story in rivals])
    order = np.argsort(gap)
    if np.isfinite(gap[order[0]]) and gap[order[0]] < 0.5 * gap[order[1]]:
        return rivals[int(order[0])]
    apart = np.abs(rivals[0].place - rivals[1].place) > APART
    raise AmbiguousNetError(tuple(np.flatnonzero(apart & ~known).tolist()))


def _gap(place: ComplexArray, rough: ComplexArray, own_frame: bool) -> float:
    """Return how far a story misses the rough places (m), after a rigid fit in its own frame."""
    both = np.isfinite(place) & np.isfinite(rough)
    if np.count_nonzero(both) < (3 if own_frame else 1):
        return np.inf
    here, there = place[both], rough[both]
    if own_frame:
        here, there = here - here.mean(), there - there.mean()
        turn = np.sum(there * np.conj(here))
        here = here * turn / max(abs(turn), 1e-12)
    return float(np.sqrt(np.mean(np.abs(here - there) ** 2)))
