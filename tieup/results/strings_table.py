"""strings.csv: every point of every line in order, the leg to it, and what looks wrong."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from tieup.derive.places import Places
from tieup.derive.points import DerivedPoints
from tieup.derive.slopes import Slopes, slopes_of
from tieup.diagnose.basis.phrases import Phrases
from tieup.linework.oddities import DUPLICATE, ZIGZAG, odd_places
from tieup.linework.shot_lines import AGAIN, NO_PLACE, UNREADABLE, Remark
from tieup.linework.site_lines import BRANCH, BREAK, SiteLine
from tieup.model.arrays import IntArray, TextArray, text_array
from tieup.model.derived import OffsetString, ProjectedString
from tieup.model.finding import Finding
from tieup.model.finding_kinds import STRING_ORDER
from tieup.model.job import Job
from tieup.model.reconciliation import Table
from tieup.results.site import Site
from tieup.units import length_factor

PER_CENT = 0.01
WITHIN, ACROSS = "within", "across"
ODD = {
    NO_PLACE: "{} has no place or no elevation: the line breaks there",
    UNREADABLE: "a row between {} could not be read: the line breaks there",
    AGAIN: "{} was shot again out of turn",
    BREAK: "gap of {length} between {}: the line breaks there",
    BRANCH: "more than two arms meet at {}: which are the line is not known",
    DUPLICATE: "{} are one place, {shift} apart",
}


def site_slopes(site: Site, lines: Sequence[SiteLine], derived: DerivedPoints) -> Slopes:
    """Return what lies along the lines of a site and those derived of them."""
    asked = lines or derived.points or derived.strings or site.job.falls
    marks = Places(
        site.wide if asked else site.adjustment,  # another solution, which takes its time
        tuple(site.case.points),
        site.position - site.solved.network.origin,
    )
    places = marks.with_derived(derived.places)
    numbers = {name: i for i, name in enumerate(places.names)}
    codes = {line.name: line.code for line in lines}
    whole = [*lines]
    for line in _derived_lines(derived, numbers, places, codes):
        whole.append(replace(line, lost=tuple(_lost(line.name, derived, whole, numbers, places))))
    return slopes_of(places, whole, site.job.falls, site.job.confidence)


def _derived_lines(
    derived: DerivedPoints, numbers: dict[str, int], places: Places, codes: dict[str, str]
) -> Iterator[SiteLine]:
    """Give the derived strings, each with the code of the one it is made of."""
    for point in derived.points:
        if isinstance(point.entry, OffsetString | ProjectedString):
            codes[point.string] = codes.get(point.entry.of, "")
    for name, parts in derived.strings.items():
        own = tuple(tuple(_solid(part, numbers, places)) for part in parts)
        own = tuple(part for part in own if part)
        odd = tuple(odd_places(own, places.position))
        yield SiteLine(name, name, codes.get(name, ""), own, (), odd)


def _lost(
    name: str,
    derived: DerivedPoints,
    lines: Sequence[SiteLine],
    numbers: dict[str, int],
    places: Places,
) -> Iterator[tuple[int, int]]:
    """Give the legs of a derived string with an end that has no place, as its source has them."""
    own = {numbers[p.source]: p for p in derived.points if p.string == name}
    entries = [p.entry for p in own.values()]
    of = {e.of for e in entries if isinstance(e, OffsetString | ProjectedString)}
    for part in (part for line in lines if line.name in of for part in line.parts):
        for a, b in pairwise(part) if len(part) > 1 else [(part[0], part[0])]:
            leg = [numbers[own[end].place.name] for end in (a, b) if end in own]
            if len(leg) == 2 and not np.isfinite(places.position[leg]).all():
                yield leg[0], leg[1]


def _solid(names: Sequence[str], numbers: dict[str, int], places: Places) -> Iterator[int]:
    for name in names:
        if np.isfinite(places.position[numbers[name]]).all():
            yield numbers[name]


def strings_table(site: Site, slopes: Slopes) -> Table:
    """Return the points of all lines in order; a leg stands with the point it leads to.

    ``number`` counts the points of a part. Falls are per cent, positive where the leg falls.
    ``joint`` says whether one setup has shot both ends of the leg, ``setups`` which.
    """
    vertices = [
        (i, j, k, point)
        for i, line in enumerate(slopes.lines)
        for j, part in enumerate(line.parts)
        for k, point in enumerate(part)
    ]
    if not vertices:
        return {}
    line, part, number, point = np.array(vertices, dtype=np.int64).T
    leg = np.where(number > 0, np.cumsum(number > 0) - 1, -1)
    length = length_factor(site.job.length_unit)
    legs, falls = slopes.legs, slopes.falls
    sd = np.sqrt(np.maximum(np.diagonal(legs.covariance, axis1=1, axis2=2), 0.0))

    def of_leg(values: np.ndarray) -> np.ndarray:
        return np.append(values, np.nan)[leg]

    setups, joint = _leg_setups(site, slopes)
    height = slopes.places.position[point, 2] + site.solved.network.origin[2]
    return {
        "string": text_array([slopes.lines[i].name for i in line.tolist()]),
        "code": text_array([slopes.lines[i].code for i in line.tolist()]),
        "part": part + 1,
        "number": number + 1,
        "point": text_array([slopes.places.names[p] for p in point.tolist()]),
        "elevation": height / length,
        "chainage": np.concatenate(slopes.chainage) / length,
        "sd_chainage": np.concatenate(slopes.sd_chainage) / length,
        "length": of_leg(legs.length) / length,
        "sd_length": of_leg(sd[:, 0]) / length,
        "drop": of_leg(legs.drop) / length,
        "sd_drop": of_leg(sd[:, 1]) / length,
        "fall": of_leg(falls.value) / PER_CENT,
        "sd_fall": of_leg(falls.sd) / PER_CENT,
        "joint": text_array([*joint, ""])[leg],
        "setups": text_array([*setups, ""])[leg],
        "low_spot": _low_spots(slopes, line, part, number, leg),
        "remarks": _remarks(site, slopes, line, point),
    }


def _leg_setups(site: Site, slopes: Slopes) -> tuple[list[str], list[str]]:
    """Return for each leg the setups of its ends, and whether one of them has shot both."""
    setups = SetupsOf(site)
    ends = zip(slopes.legs.start.tolist(), slopes.legs.end.tolist(), strict=True)
    marks = slopes.places.marks_of
    found = [setups.words(marks(start), marks(end)) for start, end in ends]
    return [words for words, _ in found], [joint for _, joint in found]


class SetupsOf:
    """Which setups two places come from, and whether within one setup or across a joint."""

    def __init__(self, site: Site) -> None:
        self._labels = [setup.label for setup in site.case.setups]
        self._own = [setups.tolist() for setups in site.setups_of_points()]

    def words(self, start: Sequence[int], end: Sequence[int]) -> tuple[str, str]:
        """Return the setups in a row, and "within" where one has shot every mark behind both."""
        own = [self._own[mark] for mark in (*start, *end)]
        if own and len(own[0]) == 1 and all(setups == own[0] for setups in own):  # most of them
            return self._labels[own[0][0]], WITHIN
        sets = [set(setups) for setups in own]
        common = set.intersection(*sets) if sets else set()
        order = dict.fromkeys(s for setups in own for s in setups)
        labels = [self._labels[s] for s in (sorted(common) or order)]
        return " ".join(labels), (WITHIN if common else ACROSS) if sets else ""


def _low_spots(
    slopes: Slopes, line: IntArray, part: IntArray, number: IntArray, leg: IntArray
) -> TextArray:
    """Return the word for a low spot at each point; that of a closed part at both its ends."""
    words = text_array([slopes.low.get(i, "") for i in leg.tolist()])
    first = np.flatnonzero(number == 0)
    for a, b in pairwise([*first.tolist(), len(number)]):
        closed = slopes.lines[line[a]].parts[part[a]]
        if len(closed) > 1 and closed[0] == closed[-1]:
            words[a] = words[b - 1]
    return words


def _remarks(site: Site, slopes: Slopes, line: IntArray, point: IntArray) -> TextArray:
    """Return the remarks, each with the first point it speaks of that stands in its line."""
    words: list[list[str]] = [[] for _ in point]
    row_of: dict[tuple[int, int], int] = {}
    for row, key in enumerate(zip(line.tolist(), point.tolist(), strict=True)):
        row_of.setdefault(key, row)
    first = {int(i): row for row, i in reversed(list(enumerate(line.tolist())))}
    for i, whole in enumerate(slopes.lines):
        for remark in whole.remarks:
            rows = [row_of[i, p] for p in remark.points if (i, p) in row_of]
            if rows or i in first:
                words[(rows or [first[i]])[0]].append(_said(remark, slopes.places, site.job))
    return text_array(["; ".join(own) for own in words])


def _said(remark: Remark, places: Places, job: Job) -> str:
    """Say what is odd along a line."""
    names = [places.names[point] for point in remark.points]
    if remark.kind == ZIGZAG:
        return _zigzag(names)
    phrases = Phrases(job.length_unit)
    size = remark.size if np.isfinite(remark.size) else 0.0
    return ODD[remark.kind].format(
        " and ".join(names), length=phrases.length(size), shift=phrases.shift(size)
    )


def _zigzag(names: Sequence[str]) -> str:
    if len(names) == 1:
        return f"turns back at {names[0]}: does that point belong to it?"
    return f"turns back at {', '.join(names)}: are they in the right order, and of this string?"


def string_findings(slopes: Slopes, job: Job) -> Iterator[Finding]:
    """Give a note for each line that turns back or branches: what spoils what is built on it."""
    for line in slopes.lines:
        odd = [remark for remark in line.remarks if remark.kind in (ZIGZAG, BRANCH)]
        if odd:
            points = dict.fromkeys(point for remark in odd for point in remark.points)
            yield STRING_ORDER.found(
                points=tuple(slopes.places.names[point] for point in points),
                says=f"String {line.name}: "
                f"{'; '.join(_said(remark, slopes.places, job) for remark in odd)}",
                confirm=f"Look at string {line.name} on the plan and in the field sketch.",
                cure="Correct the string or the order where the raw data comes from; the "
                "coordinates are not touched by it.",
                key=line.name,
            )
