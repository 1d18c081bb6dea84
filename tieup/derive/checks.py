"""Named checks of falls: find the two ends, or the legs of a string, and judge them.

From a point to a point, the fall is that between them. A string stands for the place on it that
is nearest to the other end: the perpendicular foot on a leg, or a point of it. From one string to
another, every point of the first that has a perpendicular foot on the second is judged, as the
pavement between a curb and a drain is; where none has one, the two nearest places are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from tieup.derive.falls import Falls, falls_of, verdict_of, verdicts
from tieup.derive.legs import Legs, pair_covariance
from tieup.derive.placed import PlacedPoint
from tieup.derive.places import Places, between
from tieup.derive.strings import SiteLine
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.falls import FallCheck

Ends: TypeAlias = tuple[PlacedPoint, PlacedPoint]
Thing: TypeAlias = "PlacedPoint | _Segments"


@dataclass(frozen=True)
class CheckedFalls:
    """What came of one check: its n falls, ``starts`` to ``ends``, with their verdicts.

    ``length``, ``drop`` (n,) m and their ``covariance`` (n, 2, 2); NaN where undefined, with the
    ``reason`` in words.
    """

    check: FallCheck
    starts: tuple[PlacedPoint, ...]
    ends: tuple[PlacedPoint, ...]
    length: FloatArray
    drop: FloatArray
    covariance: FloatArray
    falls: Falls
    parts: TextArray
    reason: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """Return the verdict of the whole check."""
        return verdict_of(self.parts)


def check_falls(
    checks: Sequence[FallCheck],
    places: Places,
    lines: Sequence[SiteLine],
    legs: Legs,
    confidence: float,
) -> tuple[CheckedFalls, ...]:
    """Judge every check; ``legs`` are those of ``lines``."""
    numbers = {name: i for i, name in enumerate(places.names)}
    by_name = {line.name: i for i, line in enumerate(lines)}

    def thing(name: str) -> Thing:
        """Return the point of a name, else the string of it, else a point without a place."""
        if name in numbers:
            return places.placed(numbers[name])
        line = lines[by_name[name]] if name in by_name else None
        return _segments(line) if line and line.parts else nowhere(name)

    found = []
    for check in checks:
        if check.along:
            own = np.flatnonzero(legs.line == by_name.get(check.along, -1)).tolist()
            ends = [
                (places.placed(int(legs.start[i])), places.placed(int(legs.end[i]))) for i in own
            ] or [(nowhere(check.along), nowhere(check.along))]
            covariance = legs.covariance[own] if own else np.full((1, 2, 2), np.nan)
        else:
            ends = _ends(thing(check.start), thing(check.end), places)
            pairs = (pair_covariance(places.adjustment, *pair) for pair in ends)
            covariance = np.array([*pairs]).reshape(-1, 2, 2)
        found.append(_checked(check, ends, covariance, confidence))
    return tuple(found)


def _checked(
    check: FallCheck, ends: Sequence[Ends], covariance: FloatArray, confidence: float
) -> CheckedFalls:
    step = np.array([b.position - a.position for a, b in ends]).reshape(-1, 3)
    length, drop = np.hypot(step[:, 0], step[:, 1]), -step[:, 2]
    falls = falls_of(length, drop, covariance)
    return CheckedFalls(
        check=check,
        starts=tuple(a for a, _ in ends),
        ends=tuple(b for _, b in ends),
        length=length,
        drop=drop,
        covariance=covariance,
        falls=falls,
        parts=verdicts(falls, check.minimum, check.maximum, confidence),
        reason=tuple(
            _reason(pair, float(value), float(sd))
            for pair, value, sd in zip(ends, falls.value, falls.sd, strict=True)
        ),
    )


def _reason(ends: Ends, value: float, sd: float) -> str:
    """Say why a fall is not known; empty where it is."""
    for point in ends:
        for part, what in ((point.position[:2], "place"), (point.position[2:], "elevation")):
            if np.isnan(part).any():
                return f"{point.name} has no {what}"
    if np.isnan(value):
        return f"{ends[0].name} and {ends[1].name} are one place"
    return "its sd was not worked out: the job is very large" if np.isnan(sd) else ""


def nowhere(name: str) -> PlacedPoint:
    """Return a point without a place."""
    return PlacedPoint(name, np.full(3, np.nan), (), np.zeros((3, 0)), np.zeros((3, 3)))


def _ends(first: Thing, second: Thing, places: Places) -> list[Ends]:
    """Return the pairs of places that a check from one thing to another is about."""
    if isinstance(first, PlacedPoint):
        if isinstance(second, PlacedPoint):
            return [(first, second)]
        return [(first, second.nearest(first, places).place)]
    if isinstance(second, PlacedPoint):
        return [(first.nearest(second, places).place, second)]
    return _across(first, second, places)


def _across(first: _Segments, second: _Segments, places: Places) -> list[Ends]:
    """Return every point of a string with its foot on another one, else the nearest of them."""
    points = [places.placed(number) for number in first.points]
    feet = [second.nearest(point, places) for point in points]
    pairs = [(p, foot.place) for p, foot in zip(points, feet, strict=True) if foot.abreast]
    if pairs:
        return pairs
    least = int(np.argmin([foot.away for foot in feet]))
    return [(points[least], feet[least].place)]


@dataclass(frozen=True)
class _Foot:
    """The place of a string nearest to a point, how far away (m), and whether it is abreast.

    It is not where it is the open end of a part, with the point beyond.
    """

    place: PlacedPoint
    away: float
    abreast: bool


@dataclass(frozen=True)
class _Segments:
    """The legs (n,) of a string; ``first``, ``last``: a leg has the open start or end of a part."""

    name: str
    start: IntArray
    end: IntArray
    first: BoolArray
    last: BoolArray

    @property
    def points(self) -> list[int]:
        """Return the numbers of the string's points in order."""
        both = np.column_stack([self.start, self.end]).reshape(-1)
        return list(dict.fromkeys(both.tolist()))

    def nearest(self, point: PlacedPoint, places: Places) -> _Foot:
        """Return the place nearest to a point in plan."""
        start = places.position[self.start, :2]
        leg, to = places.position[self.end, :2] - start, point.position[:2] - start
        size = np.einsum("ni,ni->n", leg, leg)
        raw = np.einsum("ni,ni->n", to, leg) / np.where(size > 0.0, size, 1.0)
        share = np.clip(raw, 0.0, 1.0)
        away = np.hypot(*(to - share[:, None] * leg).T)
        i = int(np.argmin(away))
        beyond = (self.first[i] and raw[i] < 0.0) or (self.last[i] and raw[i] > 1.0)
        ends = places.placed(int(self.start[i])), places.placed(int(self.end[i]))
        if 0.0 < share[i] < 1.0:
            name = f"{self.name} between {ends[0].name} and {ends[1].name}"
            place = between(name, *ends, float(share[i]))
        else:
            place = ends[int(share[i] == 1.0)]
        return _Foot(place, float(away[i]), not beyond)


def _segments(line: SiteLine) -> _Segments:
    rows = []
    for part in line.parts:
        closed = len(part) > 1 and part[0] == part[-1]
        legs = list(pairwise(part)) or [(part[0], part[0])]
        for i, (a, b) in enumerate(legs):
            rows.append((a, b, not closed and i == 0, not closed and i == len(legs) - 1))
    start, end, first, last = np.array(rows, dtype=np.int64).T
    return _Segments(line.name, start, end, first.astype(bool), last.astype(bool))
