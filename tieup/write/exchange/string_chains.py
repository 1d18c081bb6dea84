"""The strings of a site as lines: the parts of the strings table, where they stand in order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby

from tieup.model.reconciliation import Table


@dataclass(frozen=True)
class Chain:
    """A line of a string, its code, and the numbers of its points in order."""

    string: str
    code: str
    points: tuple[int, ...]


def chains_of(strings: Table, numbers: Mapping[str, int]) -> list[Chain]:
    """Return every unbroken part of two points or more, in the order of the table.

    ``numbers`` are those of the points by name.
    """
    if not strings:
        return []
    columns = (strings[name] for name in ("string", "code", "part", "point"))
    rows = zip(*(list(column) for column in columns), strict=True)
    parts = (
        (key, tuple(numbers[row[3]] for row in own))
        for key, own in groupby(rows, key=lambda row: row[:3])
    )
    return [
        Chain(str(string), str(code), points)
        for (string, code, _), points in parts
        if len(points) > 1
    ]
