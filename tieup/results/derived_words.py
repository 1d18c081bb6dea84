"""Derived points in words: how each is made, what is odd about it, and what has no place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.derive.points import DerivedPoint
from tieup.diagnose.basis.phrases import Phrases
from tieup.model.derived import Crossing, Mean, OffsetString, Polar, ProjectedString, Typed
from tieup.model.finding import Finding
from tieup.model.finding_kinds import DERIVED
from tieup.results.site import Site
from tieup.units import format_angle

NARROW = np.radians(30.0)  # a crossing at less is poor; common practice, no source


def how(point: DerivedPoint, site: Site) -> str:
    """Say how a point is made, in the units of the job."""
    entry, phrases = point.entry, _phrases(site)
    match entry:
        case Polar():
            away = f"{_length(entry.distance, phrases)} at "
            away += f"{format_angle(entry.bearing, site.job.angle_unit)} from {entry.origin}"
            return away + ("" if entry.grade is None else f", grade {100 * entry.grade:g} %")
        case Crossing():
            return f"intersection of {'-'.join(entry.first)} and {'-'.join(entry.second)}"
        case Mean():
            return f"mean of {', '.join(entry.of)}"
        case Typed():
            return f"{entry.origin} with a typed elevation"
        case OffsetString():
            side = "right" if entry.distance >= 0 else "left"
            grade = f", grade {100 * entry.grade:g} %" if entry.grade else ""
            away = _length(abs(entry.distance), phrases)
            return f"{away} to the {side} of {entry.of} at {point.source}{grade}"
        case ProjectedString():
            fall = f"fall {100 * entry.fall:g} %"
            return f"{point.source} of {entry.of} square onto {entry.onto}, {fall}"


def remarks(point: DerivedPoint, site: Site) -> Iterator[str]:
    """Give what is odd about a point."""
    if point.reason:
        yield point.reason
    if point.crossed is not None:
        yield from _crossing_remarks(point, _phrases(site))
    if point.farthest:
        yield f"farthest {point.farthest}, {_phrases(site).shift(point.spread)} away in plan"


def _crossing_remarks(point: DerivedPoint, phrases: Phrases) -> Iterator[str]:
    entry, crossed = point.entry, point.crossed
    if not isinstance(entry, Crossing) or crossed is None:
        return
    if crossed.angle < NARROW:
        yield f"narrow crossing of {np.degrees(crossed.angle):.1f} degrees"
    for line, along in zip((entry.first, entry.second), crossed.along, strict=True):
        if not 0.0 <= along <= 1.0:
            yield f"beyond {line[0] if along < 0.0 else line[1]} on line {'-'.join(line)}"
    if np.isfinite(crossed.gap):
        side = "above" if crossed.gap >= 0 else "below"
        first, second = "-".join(entry.first), "-".join(entry.second)
        gap = phrases.shift(crossed.gap)
        yield f"elevation of {first}; {second} passes {gap} {side}"


def flag(point: DerivedPoint, verdict: str) -> str:
    """Return the remark for coordinates.csv: what the point comes from, or why it has no place."""
    if point.reason:
        return point.reason
    source = f"from {point.source or ' '.join(point.parents)}"
    if verdict:
        return f"typed elevation ({verdict}) {source}"
    if point.crossed is not None and point.crossed.angle < NARROW:
        return f"narrow crossing {source}"
    return source


def empty_findings(points: Sequence[DerivedPoint]) -> Iterator[Finding]:
    """Give the entries of job.yaml that the geometry leaves without a place or an elevation."""
    without: dict[str, list[DerivedPoint]] = {}
    for point in points:
        if point.reason:
            without.setdefault(point.entry.name, []).append(point)
    for name, own in without.items():
        yield _empty_finding(name, own)


def _empty_finding(name: str, points: Sequence[DerivedPoint]) -> Finding:
    """Return the finding about the points of one entry that are not whole."""
    first = points[0]
    more = f", and {len(points) - 1} more" if len(points) > 1 else ""
    names = tuple(point.place.name for point in points)
    what = "elevation" if np.isfinite(first.place.position[0]) else "place"
    says = f"{first.place.name} has no {what}{more}: {first.reason.removeprefix('no elevation: ')}."
    return DERIVED.found(
        points=names,
        says=f"Derived point {says}",
        confirm="Look at the points it comes from on the plan.",
        cure=f"Derive {name} from other points (job.yaml, line {first.entry.line}), or shoot what "
        "is missing.",
    )


def _phrases(site: Site) -> Phrases:
    return Phrases(site.job.length_unit)


def _length(metres: float, phrases: Phrases) -> str:
    return f"{metres / phrases.factor:.3f} {phrases.unit}"
