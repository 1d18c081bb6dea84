"""Where a string passes from one setup to another: at a shared point, or from end to end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from tieup.linework.shot_lines import Run
from tieup.linework.site_lines import SiteLine

Sighted = set[tuple[int, int]]  # setup and point


@dataclass(frozen=True)
class ChangeOver:
    """Where two runs meet; ``point`` is the shared point or -1.

    ``before`` and ``after`` are the points of either run from the joint outwards, the shared
    point not among them (two at most: what shows the line's direction).
    """

    string: str
    setups: tuple[int, int]
    point: int
    before: tuple[int, ...]
    after: tuple[int, ...]


def change_overs(line: SiteLine, sighted: Sighted) -> Iterator[ChangeOver]:
    """Give the change-overs of a line, shared points first.

    A point is shared where both setups have ``sighted`` it: a shot left out shares nothing.
    """
    for a, b in combinations(line.runs, 2):
        if a.setup != b.setup:
            for point in _points(a):
                if point in _points(b) and {(a.setup, point), (b.setup, point)} <= sighted:
                    arms = _outward(a, point)[1:], _outward(b, point)[1:]
                    yield ChangeOver(line.name, (a.setup, b.setup), point, *arms)
    for ends in line.meetings:
        (first, start), (second, end) = sorted((_first_run(line, end), end) for end in ends)
        a, b = line.runs[first], line.runs[second]
        if a.setup != b.setup:
            arms = _outward(a, start)[:2], _outward(b, end)[:2]
            yield ChangeOver(line.name, (a.setup, b.setup), -1, *arms)


def _points(run: Run) -> tuple[int, ...]:
    return tuple(dict.fromkeys(point for piece in run.pieces for point in piece))


def _first_run(line: SiteLine, point: int) -> int:
    """Return the number of the first run that has a point."""
    return next(number for number, run in enumerate(line.runs) if point in _points(run))


def _outward(run: Run, point: int) -> tuple[int, ...]:
    """Return a point of a run and two more, away from the nearer end of its piece."""
    piece = next(piece for piece in run.pieces if point in piece)
    at = piece.index(point)
    onward = at < len(piece) - 1 - at
    return piece[at : at + 3] if onward else piece[max(at - 2, 0) : at + 1][::-1]
