"""The strings of a site as lines, in the order they were shot.

Each setup's part of a string is one line; parts meet only at a point that both have shot. A
line breaks at a point without a place or elevation: to run past it would invent ground.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tieup.model.observations import KINDS
from tieup.model.reconciliation import Table

if TYPE_CHECKING:
    from tieup.write.exchange.content import SitePoint

CLOSED = 4  # points of the smallest closed line: a triangle and its first point again


@dataclass(frozen=True)
class Chain:
    """A line of a string: numbers of its points in order."""

    string: str
    points: tuple[int, ...]


def chains_of(observations: Table, points: Sequence[SitePoint]) -> list[Chain]:
    """Return the lines of every string, strings in the order of their first shot.

    ``points`` are all of the coordinates table, with and without a place.
    """
    solid = [point.has_place and point.has_elevation for point in points]
    chains: dict[str, list[tuple[int, ...]]] = {}
    for (string, _), numbers in _shot(observations, points).items():
        chains.setdefault(string, []).extend(_unbroken(_once(numbers), solid))
    return [
        Chain(string, part)
        for string, parts in chains.items()
        for part in _joined(parts)
        if len(part) > 1
    ]


def _shot(observations: Table, points: Sequence[SitePoint]) -> dict[tuple[str, str], list[int]]:
    """Return the points of each string and setup as shot; -1 for a name that no point has.

    Two points of one name are told apart by their setup: name@setup.
    """
    named: dict[str, int] = {}
    for number, point in enumerate(points):
        named.setdefault(point.name, number)  # marks stand before free stations
    sighted = np.isin(np.asarray(observations["kind"]).astype(str), KINDS)
    setups = np.asarray(observations["setup"], dtype=object)[sighted].tolist()
    names = np.asarray(observations["point"], dtype=object)[sighted].tolist()
    found: dict[tuple[str, str], list[int]] = {}
    current: dict[str, str] = {}  # string each setup is on: a name without a point breaks it
    for setup, name in zip(setups, names, strict=True):
        number = named.get(name, named.get(f"{name}@{setup}", -1))
        string = points[number].string if number >= 0 else current.get(setup, "")
        if string:
            found.setdefault((string, setup), []).append(number)
            current[setup] = string
    return found


def _once(numbers: list[int]) -> list[int]:
    """Drop second shots of a point (another face or round); keep the return that closes a line."""
    steps = [n for row, n in enumerate(numbers) if row == 0 or n != numbers[row - 1]]
    distinct = list(dict.fromkeys(steps))
    if len(steps) >= CLOSED and steps == [*distinct, steps[0]]:
        return steps
    first: dict[int, int] = {}
    for row, number in enumerate(steps):
        first.setdefault(number, row)
    return [n for row, n in enumerate(steps) if n < 0 or first[n] == row]


def _unbroken(numbers: list[int], solid: list[bool]) -> Iterator[tuple[int, ...]]:
    """Cut where a point has no place or no elevation."""
    part: list[int] = []
    for number in [*numbers, -1]:
        if number >= 0 and solid[number]:
            part.append(number)
        elif part:
            yield tuple(part)
            part = []


def _joined(parts: list[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """Join lines end to end where they share an end point that no third line has."""
    lines = list(parts)
    for point in dict.fromkeys(end for part in parts for end in (part[0], part[-1])):
        meeting = [line for line in lines if point in (line[0], line[-1])]
        if len(meeting) != 2 or any(line[0] == line[-1] for line in meeting):
            continue
        first, second = meeting
        first = first if first[-1] == point else first[::-1]
        second = second if second[0] == point else second[::-1]
        lines[lines.index(meeting[0])] = (*first, *second[1:])
        lines.remove(meeting[1])
    return lines
