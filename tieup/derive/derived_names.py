"""Names that job.yaml gives to what is derived: known, free, and in an order that works.

An entry may use what another entry makes, wherever that stands in the list.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from tieup.errors import ConfigError, did_you_mean
from tieup.model.derived import (
    Crossing,
    Derived,
    Mean,
    OffsetString,
    Polar,
    ProjectedString,
    Typed,
)

POINT, STRING = "point", "string"
_NUMBERED = re.compile(r"(.+)-[1-9][0-9]*", re.ASCII)


@dataclass(frozen=True)
class Reference:
    """What an entry names: under which key, a point or a string."""

    key: str
    kind: str
    name: str


def references(entry: Derived) -> tuple[Reference, ...]:
    """Return what an entry is derived from, in the order of its construction."""
    match entry:
        case Polar() | Typed():
            return (Reference("from", POINT, entry.origin),)
        case Crossing():
            names = (*entry.first, *entry.second)
            return tuple(Reference("intersect", POINT, name) for name in names)
        case Mean():
            return tuple(Reference("mean", POINT, name) for name in entry.of)
        case OffsetString():
            return (Reference("offset", STRING, entry.of),)
        case ProjectedString():
            return Reference("project", STRING, entry.of), Reference("onto", STRING, entry.onto)


def makes_string(entry: Derived) -> bool:
    """Say whether an entry makes a string instead of a point."""
    return isinstance(entry, OffsetString | ProjectedString)


def numbered(string: str, number: int) -> str:
    """Return the name of a point of a derived string, counted from 1."""
    return f"{string}-{number}"


def string_of(point: str) -> str:
    """Return the string that a numbered name belongs to, empty where it is none."""
    match = _NUMBERED.fullmatch(point)
    return match[1] if match else ""


def complaint(entry: Derived, problem: str) -> str:
    """Return the message about an entry."""
    return f"job.yaml:{entry.line}: derived {entry.name}: {problem}"


def in_order(
    entries: Sequence[Derived], points: Collection[str], strings: Collection[str]
) -> list[Derived]:
    """Sort entries so that each stands behind those it is derived from.

    ``points`` are the names that are taken in the job, ``strings`` likewise.

    Raises
    ------
    ConfigError
        A name is taken or unknown, or entries are derived from each other in a circle; every
        problem at once.
    """
    problems = [*_taken(entries, set(points), set(strings))]
    made = {(STRING if makes_string(e) else POINT, e.name): e for e in entries}
    for entry in entries:
        for reference in references(entry):
            if not _is_there(reference, made, points, strings):
                problems.append(complaint(entry, _unknown(reference, made, points, strings)))
    if problems:
        raise ConfigError(*dict.fromkeys(problems))
    return _sorted(entries, made)


def _taken(entries: Sequence[Derived], points: set[str], strings: set[str]) -> Iterator[str]:
    """Give the names that are there already, in the job or among the entries."""
    numbered_strings = {string_of(point) for point in points} - {""}
    first: dict[str, int] = {}
    for entry in entries:
        kind = STRING if makes_string(entry) else POINT
        if entry.name in first:
            yield complaint(entry, f"is there twice, first on line {first[entry.name]}. Rename one")
        elif entry.name in (strings if kind == STRING else points):
            yield complaint(entry, f"the job has a {kind} of this name already. Choose another")
        elif kind == STRING and entry.name in numbered_strings:
            name = numbered(entry.name, 1)
            yield complaint(entry, f"the job has points named like {name} already. Choose another")
        first.setdefault(entry.name, entry.line)
    made = {entry.name for entry in entries if makes_string(entry)}
    for entry in entries:
        if not makes_string(entry) and string_of(entry.name) in made:
            string = string_of(entry.name)
            yield complaint(entry, f"is named like a point of string {string}. Choose another")


def _is_there(
    reference: Reference,
    made: dict[tuple[str, str], Derived],
    points: Collection[str],
    strings: Collection[str],
) -> bool:
    known = strings if reference.kind == STRING else points
    return reference.name in known or _maker(reference, made) is not None


def _maker(reference: Reference, made: dict[tuple[str, str], Derived]) -> Derived | None:
    """Return the entry that makes what a reference names."""
    found = made.get((reference.kind, reference.name))
    if found is None and reference.kind == POINT:
        found = made.get((STRING, string_of(reference.name)))
    return found


def _unknown(
    reference: Reference,
    made: dict[tuple[str, str], Derived],
    points: Collection[str],
    strings: Collection[str],
) -> str:
    kind = reference.kind
    known = {*(strings if kind == STRING else points), *(n for k, n in made if k == kind)}
    says = f"{reference.key} names {kind} {reference.name}, which this job does not have"
    return f"{says}. {did_you_mean(reference.name, sorted(known)) or 'Look in coordinates.csv'}"


def _sorted(entries: Sequence[Derived], made: dict[tuple[str, str], Derived]) -> list[Derived]:
    """Take entries one after the other as what they need is there.

    Raises
    ------
    ConfigError
        What is left over waits for each other.
    """
    done: list[Derived] = []
    waiting = list(entries)
    while waiting:
        ready = [entry for entry in waiting if not _needs(entry, made) & _keys(waiting)]
        if not ready:
            names = " and ".join(entry.name for entry in waiting)
            raise ConfigError(
                complaint(waiting[0], f"{names} are derived from each other. Start from a mark")
                if len(waiting) > 1
                else complaint(waiting[0], "is derived from itself. Start from a mark")
            )
        done += ready
        waiting = [entry for entry in waiting if entry not in ready]
    return done


def _needs(entry: Derived, made: dict[tuple[str, str], Derived]) -> set[str]:
    makers = (_maker(reference, made) for reference in references(entry))
    return {maker.name for maker in makers if maker is not None}


def _keys(entries: Sequence[Derived]) -> set[str]:
    return {entry.name for entry in entries}
