"""Points worked out of adjusted marks, anew at every run.

Takes what job.yaml asks for, gives a `PlacedPoint` each: chains of derived points end at marks,
by the product of their derivatives. What the geometry does not allow has no place, and a reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.derive import constructions as build
from tieup.derive.constructions import Built, Crossed
from tieup.derive.derived_names import complaint, in_order, references
from tieup.derive.moved import Vertex, is_closed, moved_string
from tieup.derive.placed import PlacedPoint, full_covariance, place_of_mark
from tieup.errors import ConfigError
from tieup.model.arrays import FloatArray
from tieup.model.derived import (
    Crossing,
    Derived,
    DerivedString,
    Mean,
    OffsetString,
    Polar,
    ProjectedString,
    Typed,
)

LEAST_LINE = 0.001  # m; points closer than this show no direction; our choice
PARALLEL = 5.0  # sds; a smaller crossing angle is no angle (1/x bends by 4 % here); our choice


@dataclass(frozen=True)
class Ground:
    """The marks of a site to derive from.

    ``position`` (P, 3) m in the frame of `Adjustment.position`, NaN where not determined;
    adding ``origin`` (3,) gives the job's frame. ``strings`` has the parts of each string by its
    name: numbers of points that have a place, in order; a closed part ends with its first point.
    """

    names: tuple[str, ...]
    position: FloatArray
    origin: FloatArray
    strings: Mapping[str, Sequence[Sequence[int]]] = field(default_factory=dict)


@dataclass(frozen=True)
class DerivedPoint:
    """A derived point, the entry that asks for it and the points it is made of.

    ``reason`` says why it has no place or no elevation. ``string`` is the derived string it
    belongs to, and ``source`` the point of the other string that it was moved from.
    ``measured`` is the point that a typed elevation was put over, ``crossed`` how two lines
    cross, ``farthest`` the point of a mean that lies ``spread`` (m) from it in plan. ``typed``:
    a number that a person typed is in it, its own or that of a derived point it is made of.
    """

    place: PlacedPoint
    entry: Derived
    parents: tuple[str, ...]
    reason: str = ""
    string: str = ""
    source: str = ""
    measured: PlacedPoint | None = None
    crossed: Crossed | None = None
    farthest: str = ""
    spread: float = np.nan
    typed: bool = False


@dataclass(frozen=True)
class DerivedPoints:
    """All derived points in the order of job.yaml.

    ``strings`` has the parts of each derived string: names of points that have a place, in
    order; a closed part ends with its first point.
    """

    points: tuple[DerivedPoint, ...] = ()
    strings: Mapping[str, tuple[tuple[str, ...], ...]] = field(default_factory=dict)

    @property
    def places(self) -> tuple[PlacedPoint, ...]:
        """Return every derived point with its place, which may be NaN."""
        return tuple(point.place for point in self.points)


@dataclass(frozen=True)
class _Known:
    """What is there so far: points and the parts of strings by name, points with typed numbers."""

    places: dict[str, PlacedPoint]
    strings: dict[str, list[list[PlacedPoint]]]
    typed: set[str]


def derive_points(
    entries: Sequence[Derived],
    ground: Ground,
    adjustment: Adjustment,
    taken: Sequence[str] = (),
) -> DerivedPoints:
    """Return the points that job.yaml derives.

    ``taken`` are further names that no derived point may have, as those of free stations.

    Raises
    ------
    ConfigError
        A name is unknown or taken, or entries are derived from each other.
    """
    if not entries:
        return DerivedPoints()
    places = [place_of_mark(n, i, ground.position[i]) for i, n in enumerate(ground.names)]
    strings = {s: [[places[i] for i in part] for part in p] for s, p in ground.strings.items()}
    known = _Known({place.name: place for place in places}, dict(strings), set())
    found: dict[int, list[DerivedPoint]] = {}
    for entry in in_order(entries, {*known.places, *taken}, known.strings):
        _refuse_missing(entry, known)
        if isinstance(entry, OffsetString | ProjectedString):
            found[id(entry)] = [*_string(entry, known)]
        else:
            parents = [known.places[reference.name] for reference in references(entry)]
            found[id(entry)] = [_one(entry, parents, ground, adjustment)]
        found[id(entry)] = [_with_typed(point, known) for point in found[id(entry)]]
        known.places.update({point.place.name: point.place for point in found[id(entry)]})
    made = {
        name: tuple(_names(part) for part in parts)
        for name, parts in known.strings.items()
        if name not in strings
    }
    return DerivedPoints(tuple(p for entry in entries for p in found[id(entry)]), made)


def _refuse_missing(entry: Derived, known: _Known) -> None:
    """Raise ConfigError where an entry names a point that a derived string is too short for."""
    missing = [r.name for r in references(entry) if r.name not in (*known.places, *known.strings)]
    if missing:
        raise ConfigError(complaint(entry, f"{missing[0]} is beyond the end of its string"))


def _with_typed(point: DerivedPoint, known: _Known) -> DerivedPoint:
    """Note whether a typed number is in a point; an intersection and a mean bring none."""
    brings = not isinstance(point.entry, Crossing | Mean)
    if not brings and known.typed.isdisjoint(point.parents):
        return point
    known.typed.add(point.place.name)
    return replace(point, typed=True)


def _string(entry: DerivedString, known: _Known) -> Iterator[DerivedPoint]:
    """Give the points of a derived string; put its parts among the known ones."""
    sources = [known.strings[reference.name] for reference in references(entry)]
    parts: list[list[PlacedPoint]] = []
    for source, vertices in zip(sources[0], moved_string(entry, sources), strict=True):
        pieces: list[list[PlacedPoint]] = [[]]
        for vertex in vertices:
            point = _vertex(entry, vertex)
            yield point
            if vertex.built is None:
                pieces.append([])
            else:
                pieces[-1].append(point.place)
        if is_closed(source):
            pieces = _rejoined(pieces)
        parts += pieces
    known.strings[entry.name] = [part for part in parts if part]


def _vertex(entry: DerivedString, vertex: Vertex) -> DerivedPoint:
    if vertex.built is None:
        point = _unplaced(entry, vertex.name, vertex.parents, vertex.reason)
    else:
        place = composed(vertex.name, vertex.built, vertex.parents)
        lacking = _without_elevation(place, vertex.parents)
        point = DerivedPoint(place, entry, _names(vertex.parents), lacking)
    return replace(point, string=entry.name, source=vertex.source.name)


def _rejoined(pieces: list[list[PlacedPoint]]) -> list[list[PlacedPoint]]:
    """Close a ring again, or put its last piece before its first where it has gaps."""
    if len(pieces) == 1:
        return [[*pieces[0], pieces[0][0]]]
    return [[*pieces[-1], *pieces[0]], *pieces[1:-1]]


def _one(
    entry: Polar | Crossing | Mean | Typed,
    parents: Sequence[PlacedPoint],
    ground: Ground,
    adjustment: Adjustment,
) -> DerivedPoint:
    lost = [parent.name for parent in parents if np.isnan(parent.position[:2]).any()]
    if lost:
        return _unplaced(entry, entry.name, parents, f"{lost[0]} has no place")
    if isinstance(entry, Crossing):
        return _crossing(entry, parents, adjustment)
    places = np.array([parent.position for parent in parents])
    if isinstance(entry, Polar):
        built = build.polar(places[0], entry.bearing, entry.distance, entry.grade or 0.0)
    elif isinstance(entry, Typed):
        built = build.typed_elevation(places[0], entry.elevation - float(ground.origin[2]))
    else:
        built = build.mean(places)
    place = composed(entry.name, built, parents)
    names = _names(parents)
    point = DerivedPoint(place, entry, names, _without_elevation(place, parents))
    if isinstance(entry, Typed):
        return replace(point, measured=parents[0])
    if isinstance(entry, Mean):
        north, east = (places - place.position)[:, :2].T
        away = np.hypot(north, east)
        far = int(np.argmax(away))
        return replace(point, farthest=names[far], spread=float(away[far]))
    return point


def _crossing(
    entry: Crossing, parents: Sequence[PlacedPoint], adjustment: Adjustment
) -> DerivedPoint:
    names = _names(parents)
    places = np.array([parent.position for parent in parents])
    for a, b in ((0, 1), (2, 3)):
        if float(np.linalg.norm((places[b] - places[a])[:2])) < LEAST_LINE:
            reason = f"{names[a]} and {names[b]} are one place and show no line"
            return _unplaced(entry, entry.name, parents, reason)
    crossed = build.crossing(places)
    if crossed is None or crossed.angle < PARALLEL * _angle_sd(crossed, parents, adjustment):
        first, second = "-".join(entry.first), "-".join(entry.second)
        reason = f"lines {first} and {second} are parallel as far as anyone can tell"
        return _unplaced(entry, entry.name, parents, reason)
    place = composed(entry.name, crossed.built, parents)
    reason = _without_elevation(place, parents[:2])
    return DerivedPoint(place, entry, names, reason, crossed=crossed)


def _angle_sd(crossed: Crossed, parents: Sequence[PlacedPoint], adjustment: Adjustment) -> float:
    """Return the sd (rad) of a crossing angle."""
    joint = full_covariance(adjustment, parents)[:, :2, :, :2].reshape(8, 8)
    turning = crossed.turning.reshape(4, 3)[:, :2].reshape(8)
    return float(np.sqrt(np.maximum(turning @ joint @ turning, 0.0)))


def composed(name: str, built: Built, parents: Sequence[PlacedPoint]) -> PlacedPoint:
    """Return a constructed point with its derivatives by marks instead of by ``parents``."""
    marks = sorted({mark for parent in parents for mark in parent.marks})
    column = {mark: 3 * i for i, mark in enumerate(marks)}
    jacobian, own = np.zeros((3, 3 * len(marks))), np.zeros((3, 3))
    for i, parent in enumerate(parents):
        part = built.jacobian[:, 3 * i : 3 * i + 3]
        by_marks = part @ parent.jacobian
        for j, mark in enumerate(parent.marks):
            at = column[mark]
            jacobian[:, at : at + 3] += by_marks[:, 3 * j : 3 * j + 3]
        own += part @ parent.own @ part.T
    return PlacedPoint(name, built.place, tuple(marks), jacobian, own)


def _without_elevation(place: PlacedPoint, parents: Sequence[PlacedPoint]) -> str:
    """Say which parent has no elevation, empty where the point has one."""
    if not np.isnan(place.position[2]):
        return ""
    flat = next(parent.name for parent in parents if np.isnan(parent.position[2]))
    return f"no elevation: {flat} has none"


def _unplaced(
    entry: Derived, name: str, parents: Sequence[PlacedPoint], reason: str
) -> DerivedPoint:
    """Return a point without a place: nothing is known of it."""
    unknown = np.full((3, 3), np.nan)
    place = PlacedPoint(name, np.full(3, np.nan), (), np.zeros((3, 0)), unknown)
    return DerivedPoint(place, entry, _names(parents), reason)


def _names(points: Sequence[PlacedPoint]) -> tuple[str, ...]:
    return tuple(point.name for point in points)
