"""Named checks of falls: find the two ends, or the legs of a string, and judge them.

From a point to a point, the fall is that between them. A string stands for the place on it that
is nearest to the other end: the perpendicular foot on a leg, or a point of it. From one string to
another, every point of the first that has a perpendicular foot on the second is judged, as the
pavement between a curb and a drain is; the others are untested, and where none has one, nobody
can tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from tieup.derive.legs import Legs, pair_covariance
from tieup.derive.measured_falls import (
    CANNOT_TELL,
    UNTESTED,
    Falls,
    falls_of,
    verdict_of,
    verdicts,
)
from tieup.derive.placed import PlacedPoint
from tieup.derive.places import Places, between
from tieup.linework.site_lines import SiteLine
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.falls import FallCheck

Thing: TypeAlias = "PlacedPoint | _Segments"
NO_POINT = "no point of"  # how the reason begins where nothing is square
UNREAD = "a row between them could not be read"
BEYOND = 0.001  # m; a foot this far off an end still counts as on it; our choice


@dataclass(frozen=True)
class Pair:
    """Two places that a check is about; ``why`` says why their fall is not known."""

    start: PlacedPoint
    end: PlacedPoint
    why: str = ""
    untested: bool = False

    @property
    def step(self) -> FloatArray:
        """Return the step (3,) in m from start to end, NaN where the fall is not known."""
        step = self.end.position - self.start.position
        return np.full(3, np.nan) if self.why else np.asarray(step)


@dataclass(frozen=True)
class CheckedFalls:
    """What came of one check: its n falls, ``starts`` to ``ends``, with their verdicts.

    ``length``, ``drop`` (n,) m and their ``covariance`` (n, 2, 2); NaN where undefined, with the
    ``reason`` in words. ``remarks`` and ``cures`` (n, or none at all) say what else is to be
    known of a fall and what would help it.
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
    remarks: tuple[str, ...] = ()
    cures: tuple[str, ...] = ()

    @property
    def tested(self) -> int:
        """Return how many of the falls are not left untested."""
        return int((self.parts != UNTESTED).sum())

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
            line = lines[by_name[check.along]] if check.along in by_name else None
            own = np.flatnonzero(legs.line == by_name.get(check.along, -1))
            pairs = _along(check.along, line, legs, own, places)
            unknown = np.full((len(pairs) - len(own), 2, 2), np.nan)
            covariance = np.concatenate([legs.covariance[own], unknown])
        else:
            pairs = _pairs(thing(check.start), thing(check.end), places)
            each = (_covariance(pair, places) for pair in pairs)
            covariance = np.array([*each]).reshape(-1, 2, 2)
        found.append(_checked(check, pairs, covariance, confidence))
    return tuple(found)


def _checked(
    check: FallCheck, pairs: Sequence[Pair], covariance: FloatArray, confidence: float
) -> CheckedFalls:
    step = np.array([pair.step for pair in pairs]).reshape(-1, 3)
    length, drop = np.hypot(step[:, 0], step[:, 1]), -step[:, 2]
    falls = falls_of(length, drop, covariance)
    parts = np.full(len(pairs), CANNOT_TELL, dtype=object)
    parts[[pair.untested for pair in pairs]] = UNTESTED
    known = np.isfinite(falls.value)
    own = Falls(falls.value[known], falls.sd[known])
    parts[known] = verdicts(own, check.minimum, check.maximum, confidence)
    return CheckedFalls(
        check=check,
        starts=tuple(pair.start for pair in pairs),
        ends=tuple(pair.end for pair in pairs),
        length=length,
        drop=drop,
        covariance=covariance,
        falls=falls,
        parts=parts,
        reason=tuple(
            _reason(pair, float(value), float(sd))
            for pair, value, sd in zip(pairs, falls.value, falls.sd, strict=True)
        ),
    )


def _covariance(pair: Pair, places: Places) -> FloatArray:
    """Return the covariance (2, 2) of length and drop, NaN where there is nothing to judge."""
    if np.isnan(pair.step).any():
        return np.full((2, 2), np.nan)
    return pair_covariance(places.adjustment, pair.start, pair.end)


def _reason(pair: Pair, value: float, sd: float) -> str:
    """Say why a fall is not known; empty where it is."""
    if pair.why:
        return pair.why
    lacking = _lacking(pair.start) or _lacking(pair.end)
    if lacking:
        return lacking
    if np.isnan(value):
        return f"{pair.start.name} and {pair.end.name} are one place"
    return "its sd is not known" if np.isnan(sd) else ""


def _lacking(point: PlacedPoint) -> str:
    """Say what a point has not, empty where it has all."""
    for part, what in ((point.position[:2], "place"), (point.position[2:], "elevation")):
        if np.isnan(part).any():
            return f"{point.name} has no {what}"
    return ""


def nowhere(name: str) -> PlacedPoint:
    """Return a point without a place."""
    return PlacedPoint(name, np.full(3, np.nan), (), np.zeros((3, 0)), np.zeros((3, 3)))


def _along(
    name: str, line: SiteLine | None, legs: Legs, own: IntArray, places: Places
) -> list[Pair]:
    """Return the legs ``own`` of a line, then those that it ought to have and has not."""
    pairs = [
        Pair(places.placed(int(legs.start[i])), places.placed(int(legs.end[i])))
        for i in own.tolist()
    ]
    for a, b in line.lost if line else ():
        whole = np.isfinite(places.position[[a, b]]).all()
        pairs.append(Pair(places.placed(a), places.placed(b), UNREAD if whole else ""))
    return pairs or [Pair(nowhere(name), nowhere(name))]


def _pairs(first: Thing, second: Thing, places: Places) -> list[Pair]:
    """Return the pairs of places that a check from one thing to another is about."""
    if isinstance(first, PlacedPoint):
        if isinstance(second, PlacedPoint):
            return [Pair(first, second)]
        return [Pair(first, second.nearest(first, places).place)]
    if isinstance(second, PlacedPoint):
        return [Pair(first.nearest(second, places).place, second)]
    return _across(first, second, places)


def _across(first: _Segments, second: _Segments, places: Places) -> list[Pair]:
    """Return every point of a string with its foot on another one, or why it has none."""
    pairs = [_square(places.placed(number), second, places) for number in first.points]
    if all(pair.untested for pair in pairs):
        why = f"{NO_POINT} {first.name} is square to {second.name}"
        return [Pair(nowhere(first.name), nowhere(second.name), why)]
    return pairs


def _square(point: PlacedPoint, line: _Segments, places: Places) -> Pair:
    lacking = _lacking(point)
    if lacking:
        return Pair(point, nowhere(line.name), lacking, untested=True)
    foot = line.nearest(point, places)
    if foot.abreast:
        return Pair(point, foot.place)
    why = f"beyond the end of {line.name} at {foot.place.name}"
    return Pair(point, nowhere(line.name), why, untested=True)


@dataclass(frozen=True)
class _Foot:
    """The place of a string nearest to a point, and whether it is abreast.

    It is not where it is the open end of a part, with the point beyond.
    """

    place: PlacedPoint
    abreast: bool


@dataclass(frozen=True)
class _Segments:
    """The legs (n,) of a string; ``first``, ``last``: a leg has the open start or end of a part.

    ``lost`` are its points without a place or an elevation.
    """

    name: str
    start: IntArray
    end: IntArray
    first: BoolArray
    last: BoolArray
    lost: tuple[int, ...]

    @property
    def points(self) -> list[int]:
        """Return the numbers of the string's points in order, those that are lost last."""
        both = np.column_stack([self.start, self.end]).reshape(-1)
        return list(dict.fromkeys([*both.tolist(), *self.lost]))

    def nearest(self, point: PlacedPoint, places: Places) -> _Foot:
        """Return the place nearest to a point in plan."""
        start = places.position[self.start, :2]
        leg, to = places.position[self.end, :2] - start, point.position[:2] - start
        size = np.einsum("ni,ni->n", leg, leg)
        raw = np.einsum("ni,ni->n", to, leg) / np.where(size > 0.0, size, 1.0)
        share = np.clip(raw, 0.0, 1.0)
        away = np.hypot(*(to - share[:, None] * leg).T)
        i = int(np.argmin(away))
        near = BEYOND / np.sqrt(size[i]) if size[i] > 0.0 else 0.0
        beyond = (self.first[i] and raw[i] < -near) or (self.last[i] and raw[i] > 1.0 + near)
        ends = places.placed(int(self.start[i])), places.placed(int(self.end[i]))
        if 0.0 < share[i] < 1.0:
            name = f"{self.name} between {ends[0].name} and {ends[1].name}"
            place = between(name, *ends, float(share[i]))
        else:
            place = ends[int(share[i] == 1.0)]
        return _Foot(place, not beyond)


def _segments(line: SiteLine) -> _Segments:
    rows = []
    for part in line.parts:
        closed = len(part) > 1 and part[0] == part[-1]
        legs = list(pairwise(part)) or [(part[0], part[0])]
        for i, (a, b) in enumerate(legs):
            rows.append((a, b, not closed and i == 0, not closed and i == len(legs) - 1))
    start, end, first, last = np.array(rows, dtype=np.int64).T
    lost = tuple(point for leg in line.lost for point in leg)
    return _Segments(line.name, start, end, first.astype(bool), last.astype(bool), lost)
