"""One name for two places: numbers that began again at each setup.

Side shots of two setups under one name, far apart, are two points. They are renamed
``name@setup``, all of them, so that nobody takes one for the other, and never averaged. A
shared point with a blunder is something else: it is one name among many that agree, it is
a mark rather than a side shot, or the shot lies on another known point.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.case import Case, new_name
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.solve import Solved, assemble
from tieup.diagnose.suspicion import GROSS_SHARE, shared_points
from tieup.diagnose.visits import SIDE, Visits, visits_of
from tieup.errors import TieupError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Network

APART = 0.5  # m in plan; two places of one name further apart than this are two points
SAME_PLACE = 0.05  # m; a shot this close to another point is a shot of that point
SOME, SOME_MUTE = 2, 3  # names that must collide together, where roles are booked or not
ANCHORS = 2  # other marks on which both setups must agree with the rest
MOST_WRONG = 0.34  # share of a setup's other marks that may be wrong


@dataclass(frozen=True)
class Cluster:
    """Visits of one name at one place; ``owner`` is the first setup, -1 a known mark."""

    owner: int
    place: FloatArray
    visits: tuple[int, ...]


def split_collisions(solved: Solved) -> tuple[Case, list[Mistake]]:
    """Tell apart the points that share a name; return the case with them renamed.

    Where setups cannot be tied because their numbers clash, their side shots are first
    taken as points of their own; names that then turn out to agree stay as they were.
    """
    case, network = solved.case, solved.network
    if not _worth_looking(case, network):
        return case, []
    visits = visits_of(case, solved.reduction, network)
    visits, network = _seen_apart(case, visits, network)
    clusters = _clusters(network, visits)
    found: list[Mistake] = []
    renamed: dict[tuple[int, int], str] = {}
    for setup, points in _by_later_setup(clusters).items():
        group = Group(case, visits, clusters, setup, tuple(points))
        chosen = group.collided()
        if chosen and all(_anchored(network, group, one) for one in group.parties(chosen)):
            for point in chosen:
                renamed |= _new_names(case, clusters[point], visits)
            found.append(group.mistake(chosen, renamed))
    return _with_names(case, renamed), found


def _worth_looking(case: Case, network: Network) -> bool:
    """Say whether gross sights, or setups without a place, could come from clashing names."""
    start = network.start
    return bool(start.gross.any() or not start.plan_setup.all())


def _seen_apart(case: Case, visits: Visits, network: Network) -> tuple[Visits, Network]:
    """Return visits and network with side shots apart, where setups stand better so.

    Strings of like shape, numbered alike, can agree with each other better than the few marks
    that a setup really shares.
    """
    wrong = _astray(network, visits)
    if not wrong.any():
        return visits, network
    for setups in (np.flatnonzero(wrong), np.arange(len(case.setups))):
        apart = names_apart(case, setups)
        if apart is case:
            continue
        try:
            reduction, tried = assemble(apart)
        except TieupError:
            continue
        seen = visits_of(case, reduction, tried)
        if _astray(tried, seen).sum() < wrong.sum():
            return seen, tried
    return visits, network


def _astray(network: Network, visits: Visits) -> BoolArray:
    """Tell which setups (S,) miss many of their marks, side shots not counted."""
    count = len(network.setup_labels)
    named = shared_points(network)[network.sights.point] & ~visits.side
    missed = network.start.gross.any(axis=1) & named
    of_named = np.bincount(visits.setup[named], minlength=count)
    of_missed = np.bincount(visits.setup[missed], minlength=count)
    wrong = (of_missed > 0) & (of_missed >= GROSS_SHARE * of_named)
    return np.asarray(wrong | ~network.start.plan_setup)


def names_apart(case: Case, setups: IntArray) -> Case:
    """Return the case with the side shots of some setups under names of their own.

    Names of control and of occupied marks stay.
    """
    shots = case.shots
    known = {*(case.control.names if case.control else ()), *(s.station for s in case.setups)}
    free = np.array([name not in known for name in case.points], dtype=bool)
    free &= _in_several_setups(case)
    rows = np.flatnonzero((shots.role == SIDE) & free[shots.point] & np.isin(shots.setup, setups))
    pairs = np.unique(np.column_stack([shots.setup[rows], shots.point[rows]]), axis=0)
    labels = [case.setups[s].label for s in pairs[:, 0]]
    names = (f"{case.points[p]}@{label}" for p, label in zip(pairs[:, 1], labels, strict=True))
    return _with_names(case, dict(zip(map(tuple, pairs.tolist()), names, strict=True)))


def _in_several_setups(case: Case) -> BoolArray:
    """Tell which names (P,) the rows of several setups carry."""
    shots, count = case.shots, len(case.points)
    first = np.full(count, len(case.setups), dtype=np.int64)
    last = np.full(count, -1, dtype=np.int64)
    np.minimum.at(first, shots.point, shots.setup)
    np.maximum.at(last, shots.point, shots.setup)
    return np.asarray(last > first)


def _with_names(case: Case, renamed: dict[tuple[int, int], str]) -> Case:
    """Return the case with new names for all rows of some (setup, point) pairs."""
    if not renamed:
        return case
    names = tuple(dict.fromkeys(renamed.values()))
    number = {name: len(case.points) + i for i, name in enumerate(names)}
    shots, width = case.shots, len(case.points)
    pairs = sorted((setup * width + point, number[name]) for (setup, point), name in renamed.items())
    keys, numbers = np.array(pairs, dtype=np.int64).T
    key = shots.setup * width + shots.point
    place = np.minimum(np.searchsorted(keys, key), len(keys) - 1)
    point = np.where(keys[place] == key, numbers[place], shots.point)
    return replace(case, points=(*case.points, *names), shots=replace(shots, point=point))


def _clusters(network: Network, visits: Visits) -> dict[int, list[Cluster]]:
    """Return the places of every name that has more than one, by point."""
    placed = np.flatnonzero(np.isfinite(visits.place[:, :2]).all(axis=1))
    count = len(network.point_names)
    known = _known_marks(network)
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    low[known] = high[known] = network.start.position[known, :2]
    np.minimum.at(low, visits.point[placed], visits.place[placed, :2])
    np.maximum.at(high, visits.point[placed], visits.place[placed, :2])
    with np.errstate(invalid="ignore"):
        wide = np.hypot(*(high - low).T) > APART
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
    known = np.isfinite(network.control[:, :2]).all(axis=1)
    if len(start.gross_control):
        known &= ~start.gross_control[:, :2].any(axis=1)
    over = (network.station >= 0) & start.plan_setup
    if len(start.gross_station):
        over &= ~start.gross_station[:, 0]
    known[network.station[over]] = True
    return np.asarray(known & np.isfinite(start.position[:, 0]))


def _places(visits: Visits, own: IntArray, known: FloatArray | None) -> list[Cluster]:
    """Gather the visits of one name by place, a known place first."""
    places = [] if known is None else [Cluster(-1, known, ())]
    for visit in own.tolist():
        here = visits.place[visit]
        for number, cluster in enumerate(places):
            if np.hypot(*(here - cluster.place)[:2]) <= APART:
                places[number] = replace(cluster, visits=(*cluster.visits, visit))
                break
        else:
            places.append(Cluster(int(visits.setup[visit]), here, (visit,)))
    return places


def _by_later_setup(clusters: dict[int, list[Cluster]]) -> dict[int, list[int]]:
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
    visits: Visits
    clusters: dict[int, list[Cluster]]
    setup: int
    points: tuple[int, ...]

    def collided(self) -> tuple[int, ...]:
        """Return the points that are two by the rules of this module."""
        side = [p for p in self.points if self._all(p, self.visits.side)]
        telling = [p for p in side if not self._seen_elsewhere(p)]
        if len(telling) >= SOME or (len(telling) == 1 and self._first(telling[0]).owner >= 0):
            return tuple(side if len(telling) >= SOME else telling)
        mute = [
            p for p in self.points if self._all(p, self.visits.mute) and not self._seen_elsewhere(p)
        ]
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
        return Mistake(
            "name-collision",
            label,
            names,
            np.flatnonzero((shots.setup == self.setup) & np.isin(shots.point, chosen)),
            (),
            unit="m",
            detail="with " + (", ".join(others) or "known marks"),
            instead=tuple(renamed[self.setup, point] for point in ordered),
            rivals=(RivalCause("point-name", label, names, np.nan, separable=False),)
            if doubtful
            else (),
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


def _is_another(visits: Visits, point: int, cluster: Cluster) -> bool:
    away = visits.place[:, :2] - cluster.place[:2]
    near = np.hypot(away[:, 0], away[:, 1]) < SAME_PLACE
    return bool((near & (visits.point != point) & (visits.setup != cluster.owner)).any())


def _anchored(network: Network, group: Group, setup: int) -> bool:
    """Say whether a setup stands well on marks that have nothing to do with the collision."""
    visits, clusters = group.visits, group.clusters
    shared = _known_marks(network) | _seen_by_several(visits, len(network.point_names))
    own = np.flatnonzero((visits.setup == setup) & shared[visits.point])
    own = own[np.isfinite(visits.place[own, 0])]
    astray = np.isin(visits.point[own], list(clusters))
    agreeing = int((~astray).sum())
    wrong = int((astray & ~visits.side[own] & ~visits.mute[own]).sum())
    return agreeing >= ANCHORS and wrong <= MOST_WRONG * (agreeing + wrong)


def _seen_by_several(visits: Visits, points: int) -> BoolArray:
    pairs = np.unique(np.column_stack([visits.point, visits.setup]), axis=0)
    return np.asarray(np.bincount(pairs[:, 0], minlength=points) > 1)


def _new_names(case: Case, places: list[Cluster], visits: Visits) -> dict[tuple[int, int], str]:
    """Return a name for each visit of a name that is several, known marks kept."""
    renamed = {}
    for cluster in places:
        for visit in cluster.visits if cluster.owner >= 0 else ():
            point = int(visits.point[visit])
            name = f"{case.points[point]}@{case.setups[cluster.owner].label}"
            taken = set(case.points)
            unused = new_name(name, "~", taken) if name in taken else name
            renamed[int(visits.setup[visit]), point] = unused
    return renamed


def _natural(name: str) -> tuple[int, str]:
    """Order names as people count: 9 before 10."""
    return (len(name), name)
