"""Strings made of strings: offset to one side, or projected onto another.

An offset string keeps the legs parallel: its vertices are mitres. Where the bend is tighter than
the offset, the moved line would turn over; such vertices have no place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from tieup.derive import constructions as build
from tieup.derive.constructions import Built
from tieup.derive.derived_names import numbered
from tieup.derive.placed import PlacedPoint
from tieup.model.arrays import FloatArray
from tieup.model.derived import DerivedString, OffsetString, ProjectedString

LEAST_LEG = 0.001  # m; points closer than this show no direction; our choice

Parts: TypeAlias = Sequence[Sequence[PlacedPoint]]
"""The parts of a string: points with a place, in order; a closed part ends with its first."""


@dataclass(frozen=True)
class Vertex:
    """A vertex of a derived string, made of ``source`` and perhaps others.

    ``built`` has a Jacobian by ``parents`` in their order; None for no place, with the reason.
    """

    name: str
    source: PlacedPoint
    parents: tuple[PlacedPoint, ...]
    built: Built | None
    reason: str = ""


def moved_string(entry: DerivedString, strings: Sequence[Parts]) -> Iterator[list[Vertex]]:
    """Give the vertices of a derived string, part by part, numbered through from 1.

    ``strings`` are those that the entry names.
    """
    number = 1
    for part in strings[0]:
        points = list(part[:-1] if is_closed(part) else part)
        names = [numbered(entry.name, number + i) for i in range(len(points))]
        number += len(points)
        if isinstance(entry, OffsetString):
            yield _offset(entry, names, points, closed=is_closed(part))
        else:
            yield [
                _foot(entry, name, point, strings[1])
                for name, point in zip(names, points, strict=True)
            ]


def is_closed(part: Sequence[PlacedPoint]) -> bool:
    """Say whether a part ends where it begins."""
    return len(part) > 2 and part[0].name == part[-1].name


def _offset(
    entry: OffsetString, names: list[str], points: list[PlacedPoint], *, closed: bool
) -> list[Vertex]:
    count = len(points)
    vertices = []
    for i, name in enumerate(names):
        before = points[(i - 1) % count] if closed or i > 0 else None
        after = points[(i + 1) % count] if closed or i + 1 < count else None
        vertices.append(_offset_vertex(entry, name, before, points[i], after))
    for i in _turned_over(points, vertices, closed):
        reason = f"the offset is bigger than the bend at {points[i].name} allows"
        vertices[i] = replace(vertices[i], built=None, reason=reason)
    return vertices


def _offset_vertex(
    entry: OffsetString,
    name: str,
    before: PlacedPoint | None,
    at: PlacedPoint,
    after: PlacedPoint | None,
) -> Vertex:
    parents = tuple(point for point in (before, at, after) if point is not None)
    if len(parents) == 1:
        reason = f"{at.name} has no neighbour that shows a direction"
        return Vertex(name, at, parents, None, reason)
    for first, second in pairwise(parents):
        if np.hypot(*(second.position - first.position)[:2]) < LEAST_LEG:
            reason = f"{first.name} and {second.name} are one place and show no direction"
            return Vertex(name, at, parents, None, reason)
    built = build.offset_vertex(
        None if before is None else before.position,
        at.position,
        None if after is None else after.position,
        entry.distance,
        entry.grade * abs(entry.distance),
    )
    reason = f"{entry.of} turns back at {at.name}" if built is None else ""
    return Vertex(name, at, parents, built, reason)


def _turned_over(points: list[PlacedPoint], vertices: list[Vertex], closed: bool) -> set[int]:
    """Return the vertices at either end of a leg that runs backwards after the move."""
    turned: set[int] = set()
    count = len(points)
    for i in range(count if closed else count - 1):
        j = (i + 1) % count
        first, second = vertices[i].built, vertices[j].built
        if first is None or second is None:
            continue
        leg = (points[j].position - points[i].position)[:2]
        if (second.place - first.place)[:2] @ leg <= 0.0:
            turned |= {i, j}
    return turned


def _foot(entry: ProjectedString, name: str, point: PlacedPoint, onto: Parts) -> Vertex:
    """Return the foot of a point on the nearest leg, or on the vertex of an outer bend.

    Where the nearest place is an end of the line, nothing of it lies square to the point.
    """
    legs = _legs(onto)
    if not legs:
        return Vertex(name, point, (point,), None, f"{entry.onto} shows no direction")
    along, away = _nearest(point.position[:2], legs)
    best = int(np.argmin(away))
    start, end = legs[best]
    if 0.0 <= along[best] <= 1.0:
        built = build.foot_on_leg(point.position, start.position, end.position, entry.fall)
        return Vertex(name, point, (point, start, end), built)
    vertex = end if along[best] > 1.0 else start
    if sum(vertex.name in (a.name, b.name) for a, b in legs) > 1:
        built = build.foot_at_vertex(point.position, vertex.position, entry.fall)
        return Vertex(name, point, (point, vertex), built)
    reason = f"{point.name} lies beyond the end of {entry.onto} at {vertex.name}"
    return Vertex(name, point, (point, vertex), None, reason)


def _legs(line: Parts) -> list[tuple[PlacedPoint, PlacedPoint]]:
    """Return the legs of a line that have a direction."""
    return [
        (a, b)
        for part in line
        for a, b in pairwise(part)
        if np.hypot(*(b.position - a.position)[:2]) >= LEAST_LEG
    ]


def _nearest(
    point: FloatArray, legs: list[tuple[PlacedPoint, PlacedPoint]]
) -> tuple[FloatArray, FloatArray]:
    """Return of each leg where along it the foot falls (0 to 1 on it), and its distance (m)."""
    start = np.array([a.position[:2] for a, _ in legs])
    leg = np.array([b.position[:2] for _, b in legs]) - start
    along = ((point - start) * leg).sum(axis=1) / (leg * leg).sum(axis=1)
    nearest = start + np.clip(along, 0.0, 1.0)[:, None] * leg
    return along, np.hypot(*(point - nearest).T)
