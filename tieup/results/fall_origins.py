"""What the ends of a fall come from: typed elevations, typed grades, points without a place.

A fall between a point and one made of it by a typed grade only gives back what was typed. One
that rests on a typed elevation is as good as that: where it is off what was measured by more than
the limit, nobody can tell how the ground falls.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tieup.derive.fall_checks import NO_POINT, UNREAD, CheckedFalls
from tieup.derive.measured_falls import CANNOT_TELL, FAIL, PASS, UNTESTED
from tieup.derive.placed import PlacedPoint
from tieup.derive.points import DerivedPoint, DerivedPoints
from tieup.derive.slopes import Slopes
from tieup.diagnose.basis.phrases import Phrases
from tieup.model.derived import Crossing, OffsetString, Polar, ProjectedString, Typed
from tieup.results.site import Site
from tieup.results.typed_elevations import DIFFERS, typed_elevations

GRADED = Polar | OffsetString | ProjectedString


def with_origins(slopes: Slopes, site: Site, derived: DerivedPoints) -> Slopes:
    """Return the checks with what their ends rest on, and what would help."""
    origins = _Origins(site, derived)
    return replace(slopes, checks=tuple(_with_origins(check, origins) for check in slopes.checks))


def _with_origins(check: CheckedFalls, origins: _Origins) -> CheckedFalls:
    parts, reasons, remarks, cures = check.parts.copy(), [*check.reason], [], []
    for row, (start, end) in enumerate(zip(check.starts, check.ends, strict=True)):
        typed, off = origins.typed(start, end)
        reasons[row] += origins.lacking(reasons[row], start, end)
        if parts[row] == UNTESTED or not np.isfinite(check.falls.value[row]):
            typed, off = "", None
        elif off is not None:
            parts[row], reasons[row], typed = CANNOT_TELL, typed, ""
        elif parts[row] in (PASS, FAIL) and (name := origins.disputed(start, end)):
            parts[row] = CANNOT_TELL
            reasons[row] = f"{name} lies between two places: see findings"
        remarks.append("; ".join(filter(None, (typed, origins.given(start, end)))))
        cures.append(_cure(check, row, off, origins))
    return replace(
        check,
        parts=parts,
        reason=tuple(reasons),
        remarks=tuple(remarks),
        cures=tuple(cures),
    )


def _cure(check: CheckedFalls, row: int, off: DerivedPoint | None, origins: _Origins) -> str:
    """Say what would make a fall known; empty where only the survey is not sharp enough."""
    reason, ends = check.reason[row], (check.starts[row], check.ends[row])
    line = f"job.yaml, line {check.check.lines['']}"
    if off is not None:
        return (
            f"Correct the elevation of {off.place.name} (job.yaml, line {off.entry.line}), or take "
            "that entry out and use the measured one."
        )
    if reason.startswith(NO_POINT):
        return f"Name two points, or a string that runs beside {check.check.end} ({line})."
    if reason == UNREAD:
        return "Correct the row that could not be read, or shoot the points between again."
    for end in ends:
        if np.isnan(end.position).any():
            made = origins.maker(end.name)
            if made is None:
                return f"Shoot {end.name} so that it has a place and an elevation."
            return (
                f"Derive {made.entry.name} from other points (job.yaml, line {made.entry.line}), "
                "or shoot what is missing."
            )
    if np.isnan(check.falls.value[row]):
        return f"Name two places that are apart ({line})."
    return "Level between the two places." if reason and np.isnan(check.falls.sd[row]) else ""


@dataclass(frozen=True)
class _Typed:
    """A typed elevation in words, and whether it is off what was measured."""

    words: str
    differs: bool


class _Origins:
    """Where the elevations of derived points come from."""

    def __init__(self, site: Site, derived: DerivedPoints) -> None:
        self._site = site
        self._points = {point.place.name: point for point in derived.points}
        self._first = {point.string: point for point in reversed(derived.points) if point.string}
        phrases = Phrases(site.job.length_unit)
        found = typed_elevations(site, derived.points)
        columns = derived.points, found.difference.tolist(), found.verdict
        self._typed = {
            point.place.name: _Typed(_typed_words(point, off, phrases), verdict == DIFFERS)
            for point, off, verdict in zip(*columns, strict=True)
            if verdict
        }

    def disputed(self, start: PlacedPoint, end: PlacedPoint) -> str:
        """Return the first mark behind a fall that lies in two places, empty where none does."""
        marks = [self._site.case.points[mark] for mark in (*start.marks, *end.marks)]
        return next((name for name in marks if name in self._site.disputed), "")

    def maker(self, name: str) -> DerivedPoint | None:
        """Return the derived point of a name, or the first of the derived string, if any."""
        return self._points.get(name) or self._first.get(name)

    def lacking(self, reason: str, start: PlacedPoint, end: PlacedPoint) -> str:
        """Say why the end that a reason speaks of has no place or elevation."""
        for point in (start, end):
            made = self.maker(point.name)
            if made and made.reason and reason.startswith(f"{point.name} has no "):
                return f": {made.reason.removeprefix('no elevation: ')}"
        return ""

    def typed(self, start: PlacedPoint, end: PlacedPoint) -> tuple[str, DerivedPoint | None]:
        """Name the typed elevations that two places rest on, and one that is off."""
        roots = dict.fromkeys(r for name in (*start.names, *end.names) for r in self._roots(name))
        off = next((self._points[name] for name in roots if self._typed[name].differs), None)
        return "; ".join(self._typed[name].words for name in roots), off

    def _roots(self, name: str) -> Iterator[str]:
        """Give the typed elevations that that of a point comes from, each once."""
        ahead, seen = [name], {name}
        while ahead:
            name = ahead.pop()
            point = self._points.get(name)
            if name in self._typed:
                yield name
            elif point is not None:
                fresh = [parent for parent in _carried(point) if parent not in seen]
                seen.update(fresh)
                ahead += fresh

    def given(self, start: PlacedPoint, end: PlacedPoint) -> str:
        """Say where the fall between two places only gives back a typed grade."""
        for a in start.names:
            for b in end.names:
                first, second = self._graded(a), self._graded(b)
                if a != b and not first.isdisjoint(second):
                    made = [name for name in (a, b) if name not in first & second]
                    return f"follows from {' and '.join(map(self._grade, made))}"
        return ""

    def _graded(self, name: str) -> frozenset[str]:
        """Return a point and those whose elevation it has by typed grades alone."""
        chain = [name]
        point = self._points.get(name)
        while point is not None and isinstance(point.entry, GRADED):
            chain += _carried(point)
            point = self._points.get(chain[-1])
        return frozenset(chain)

    def _grade(self, name: str) -> str:
        entry = self._points[name].entry
        if isinstance(entry, ProjectedString):
            return f"the typed fall of {name}"
        if isinstance(entry, Polar | OffsetString) and not entry.grade:
            return f"{name} having been set level"
        return f"the typed grade of {name}"


def _carried(point: DerivedPoint) -> tuple[str, ...]:
    """Return the points that the elevation of a point comes from."""
    match point.entry:
        case Typed():
            return ()
        case Crossing():
            return point.parents[:2]
        case OffsetString() | ProjectedString():
            return (point.source,)
        case _:
            return point.parents


def _typed_words(point: DerivedPoint, off: float, phrases: Phrases) -> str:
    name = point.place.name
    if np.isnan(off):
        return f"{name}: elevation typed, nothing measured there"
    side = "above" if off > 0 else "below"
    return f"{name}: elevation typed, {phrases.shift(off)} {side} what was measured"
