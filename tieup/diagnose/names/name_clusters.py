"""The places of one name, and whether they are two points or one point with a blunder."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.kinds.name_collision import APART, NAME_COLLISION, WITH
from tieup.diagnose.kinds.point_name import POINT_NAME
from tieup.diagnose.names.name_visits import NameVisits
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Network

DIFFERENT = 0.15  # m in plan; nearer, two setups mean one place
SAME_PLACE = 0.05  # m; a shot this close to another point is a shot of that point
SOME, SOME_MUTE = 2, 3  # names that must collide together, where roles are booked or not
ANCHORS = 2  # other marks on which both setups must agree with the rest


@dataclass(frozen=True)
class Cluster:
    """Visits of one name at one place; ``owner`` is the first setup, -1 a known mark."""

    owner: int
    place: FloatArray
    visits: tuple[int, ...]


def clusters_of(network: Network, visits: NameVisits) -> dict[int, list[Cluster]]:
    """Return the places of every name that has more than one, by point."""
    placed = np.flatnonzero(np.isfinite(visits.place[:, :2]).all(axis=1))
    count = len(network.point_names)
    known = _known_marks(network)
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    low[known] = high[known] = network.start.position[known, :2]
    np.minimum.at(low, visits.point[placed], visits.place[placed, :2])
    np.maximum.at(high, visits.point[placed], visits.place[placed, :2])
    with np.errstate(invalid="ignore"):
        wide = np.hypot(*(high - low).T) > DIFFERENT
    found = {}
    for point in np.flatnonzero(wide).tolist():
        own = placed[visits.point[placed] == point]
        start = network.start.position[point] if known[point] else None
        places = _places(visits, own[np.argsort(visits.setup[own], kind="stable")], start)
        if len(places) > 1:
            found[point] = places
    return found


def _known_marks(network: Network) -> BoolArray:
    """Tell which points (P,) control or an occupation places, as far as they are believed."""
    start = network.start
    known: BoolArray = np.asarray(np.isfinite(network.control[:, :2]).all(axis=1))
    if len(start.gross_control):
        known &= ~start.gross_control[:, :2].any(axis=1)
    over = (network.station >= 0) & start.plan_setup
    if len(start.gross_station):
        over &= ~start.gross_station[:, 0]
    known[network.station[over]] = True
    return np.asarray(known & np.isfinite(start.position[:, 0]))


def _places(visits: NameVisits, own: IntArray, known: FloatArray | None) -> list[Cluster]:
    """Gather the visits of one name by place, a known place first."""
    places = [] if known is None else [Cluster(-1, known, ())]
    for visit in own.tolist():
        here = visits.place[visit]
        for number, cluster in enumerate(places):
            if np.hypot(*(here - cluster.place)[:2]) <= DIFFERENT:
                places[number] = replace(cluster, visits=(*cluster.visits, visit))
                break
        else:
            places.append(Cluster(int(visits.setup[visit]), here, (visit,)))
    return places


def by_later_setup(clusters: dict[int, list[Cluster]]) -> dict[int, list[int]]:
    """Return, by setup, the points that it put elsewhere than what came before it did."""
    groups: dict[int, list[int]] = {}
    for point, places in clusters.items():
        for cluster in places[1:]:
            groups.setdefault(cluster.owner, []).append(point)
    return dict(sorted(groups.items()))


@dataclass(frozen=True)
class Group:
    """The ``points`` that ``setup`` put elsewhere than the setups before it."""

    case: Case
    visits: NameVisits
    clusters: dict[int, list[Cluster]]
    setup: int
    points: tuple[int, ...]

    def collided(self) -> tuple[int, ...]:
        """Return the points that are two by the rules of this module."""
        side = [p for p in self.points if self._all(p, self.visits.side)]
        telling = [p for p in side if self._tells(p)]
        if len(telling) >= SOME:
            return tuple(side)
        if len(telling) == 1 and self._first(telling[0]).owner >= 0:
            return tuple(telling)
        mute = [p for p in self.points if self._all(p, self.visits.mute) and self._tells(p)]
        return tuple(mute) if len(mute) >= SOME_MUTE else ()

    def parties(self, points: tuple[int, ...]) -> list[int]:
        """Return the setups that use the names of some points for places of their own."""
        owners = {self._first(point).owner for point in points} | {self.setup}
        return sorted(owner for owner in owners if owner >= 0)

    def mistake(self, chosen: tuple[int, ...], renamed: dict[tuple[int, int], str]) -> Mistake:
        """Return the mistake; ``instead`` holds the new names of this setup's points."""
        case, shots = self.case, self.case.shots
        ordered = sorted(chosen, key=lambda point: _natural(case.points[point]))
        others = [case.setups[s].label for s in self.parties(chosen) if s != self.setup]
        label = case.setups[self.setup].label
        names = tuple(case.points[point] for point in ordered)
        doubtful = len(chosen) == 1 and not self._codes_differ(chosen[0])
        rows = np.flatnonzero((shots.setup == self.setup) & np.isin(shots.point, chosen))
        return replace(
            NAME_COLLISION.mistake(label, names, rows),
            detail=WITH + (", ".join(others) or "known marks"),
            instead=tuple(renamed[self.setup, point] for point in ordered),
            rivals=(POINT_NAME.rival(label, names),) if doubtful else (),
        )

    def _first(self, point: int) -> Cluster:
        return self.clusters[point][0]

    def _own(self, point: int) -> Cluster:
        return next(c for c in self.clusters[point] if c.owner == self.setup)

    def _all(self, point: int, mask: BoolArray) -> bool:
        both = (*self._own(point).visits, *self._others(point))
        return bool(mask[list(both)].all())

    def _others(self, point: int) -> tuple[int, ...]:
        """Return the visits of the first place, none where that is a known mark."""
        first = self._first(point)
        return first.visits if first.owner >= 0 else ()

    def _tells(self, point: int) -> bool:
        """Say whether two places are far apart, and neither is that of another name."""
        gap = (self._own(point).place - self._first(point).place)[:2]
        return float(np.hypot(*gap)) > APART and not self._seen_elsewhere(point)

    def _seen_elsewhere(self, point: int) -> bool:
        """Say whether either place is that of another name, seen from another setup."""
        return any(
            _is_another(self.visits, point, cluster)
            for cluster in (self._own(point), self._first(point))
            if cluster.owner >= 0
        )

    def _codes_differ(self, point: int) -> bool:
        codes = [
            {*self.visits.code[list(v)]} - {""}
            for v in (self._own(point).visits, self._others(point))
        ]
        return bool(codes[0] and codes[1] and not codes[0] & codes[1])


def _is_another(visits: NameVisits, point: int, cluster: Cluster) -> bool:
    away = visits.place[:, :2] - cluster.place[:2]
    near = np.hypot(away[:, 0], away[:, 1]) < SAME_PLACE
    return bool((near & (visits.point != point) & (visits.setup != cluster.owner)).any())


def anchored(network: Network, group: Group, setup: int) -> bool:
    """Say whether a setup stands well on marks that have nothing to do with the collision."""
    visits, clusters = group.visits, group.clusters
    shared = _known_marks(network) | _seen_by_several(visits, len(network.point_names))
    own = np.flatnonzero((visits.setup == setup) & shared[visits.point])
    own = own[np.isfinite(visits.place[own, 0])]
    astray = np.isin(visits.point[own], list(clusters))
    agreeing = int((~astray).sum())
    wrong = int((astray & ~visits.side[own] & ~visits.mute[own]).sum())
    return agreeing >= ANCHORS and wrong < agreeing


def _seen_by_several(visits: NameVisits, points: int) -> BoolArray:
    pairs = np.unique(np.column_stack([visits.point, visits.setup]), axis=0)
    return np.asarray(np.bincount(pairs[:, 0], minlength=points) > 1)


def _natural(name: str) -> tuple[int, str]:
    """Order names as people count: 9 before 10."""
    return (len(name), name)
