"""Names and places of raw rows, for findings."""

from __future__ import annotations

from collections.abc import Sequence

from tieup.model.arrays import IntArray
from tieup.model.fieldbook import Fieldbook
from tieup.sentences import listed

FEW = 6  # names written out before "and n more"


def lines_of(fieldbook: Fieldbook, rows: IntArray) -> tuple[str, ...]:
    """Return "file:line" of rows."""
    shots, files = fieldbook.shots, fieldbook.files
    return tuple(f"{files[shots.file[row]].name}:{shots.line[row]}" for row in rows.tolist())


def points_of(fieldbook: Fieldbook, rows: IntArray) -> tuple[str, ...]:
    """Return the point names of rows as booked, each once, in recorded order."""
    return tuple(dict.fromkeys(fieldbook.points[p] for p in fieldbook.shots.point[rows].tolist()))


def named(fieldbook: Fieldbook, rows: IntArray) -> list[str]:
    """Return the labels of the setups that rows are in, in recorded order."""
    setups = fieldbook.shots.setup[rows].tolist()
    return [fieldbook.setups[setup].label for setup in dict.fromkeys(setups)]


def some(names: Sequence[str]) -> str:
    """Write names as people do: A, B and C; a long list is cut."""
    return listed(names, FEW, "and")
