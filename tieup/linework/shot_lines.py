"""The lines of a site as they were shot: which shots belong to one, in which turn, what is lost.

A line is a string of the raw rows by its name (`tieup.model.strings`). It is shot in runs, one
setup at a time, ordered by time where every shot of it has one.

Another face or round is no new point, nor is a row that copies another in every cell. Only a copy
of the first row of a run that stands alone at its end says something: it closes the run. A run
breaks at a point without a place or elevation and at a row that could not be read: to run past
them would invent ground.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.model.arrays import BoolArray, IntArray, TextArray
from tieup.model.fieldbook import InvalidRow, Shots
from tieup.model.strings import string_names

CLOSED = 4  # points of the smallest closed run: a triangle and its first point again
NO_PLACE, UNREADABLE, AGAIN = "no-place", "unreadable", "again"


@dataclass(frozen=True)
class Remark:
    """Something odd along a line; ``points`` are the numbers it speaks of.

    ``kind``: no-place (the point without one), unreadable (the points before and after),
    again (a point shot again out of turn), and what `tieup.linework.site_lines` and
    `tieup.linework.oddities` add. ``size`` (m) where one belongs to it, else NaN.
    """

    kind: str
    points: tuple[int, ...]
    size: float = np.nan


@dataclass(frozen=True)
class Run:
    """What one setup shot of a line one after the other, in ``pieces`` without a break.

    ``lost`` are the legs as shot of which an end has no place or no elevation.
    """

    setup: int
    pieces: tuple[tuple[int, ...], ...]
    lost: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class ShotLine:
    """A line as shot: its ``name``, the ``string`` and ``code`` of the rows, its runs."""

    name: str
    string: str
    code: str
    runs: tuple[Run, ...]
    remarks: tuple[Remark, ...]


def shot_lines(shots: Shots, lost: BoolArray, solid: BoolArray) -> list[ShotLine]:
    """Return the lines in the order of their first shot.

    Parameters
    ----------
    shots
        The raw rows (m,); their points are numbered as in ``solid``.
    lost
        Shape (m,): a row that could not be read followed this one, as `lost_after` says.
    solid
        Shape (P,): the point has a place and an elevation.
    """
    rows_of: dict[str, list[int]] = {}
    names = string_names(shots)
    for row in np.flatnonzero(names != "").tolist():
        rows_of.setdefault(names[row], []).append(row)
    return [_line(name, rows, shots, lost, solid) for name, rows in rows_of.items()]


def lost_after(invalid: Sequence[InvalidRow], shots: Shots, placed: set[str]) -> BoolArray:
    """Return the mask (m,) of rows of a string that an unreadable row of it follows.

    A row that could not be read has no string of its own: it is taken to belong to the one that
    its setup was shooting before and after it. Where its point is ``placed`` all the same, as
    after a bad second face, nothing is lost.
    """
    lost = np.zeros(len(shots), dtype=bool)
    names = string_names(shots)
    for row in invalid:
        if not row.kinds or row.point in placed:
            continue
        own = np.flatnonzero(shots.file == row.file)
        after = int(np.searchsorted(shots.line[own], row.line))
        if 0 < after < len(own):
            a, b = own[after - 1], own[after]
            same = shots.setup[a] == shots.setup[b] and names[a] == names[b]
            lost[a] |= bool(same and names[a])
    return lost


def _line(name: str, rows: list[int], shots: Shots, lost: BoolArray, solid: BoolArray) -> ShotLine:
    order = np.array(rows, dtype=np.int64)
    if np.isfinite(shots.time[order]).all():
        order = order[np.argsort(shots.time[order], kind="stable")]
    fresh = np.flatnonzero(~shots.repeated[order])
    remarks: list[Remark] = []
    runs = []
    cuts = np.flatnonzero(np.diff(shots.setup[order[fresh]])) + 1
    ends = [*fresh[cuts].tolist(), len(order)]
    for own, end in zip(np.split(fresh, cuts), ends, strict=True):
        part = np.append(order[own], _closing(order[own], order[own[-1] + 1 : end], shots))
        turns = _turns(part, shots, remarks)
        pieces = tuple(_unbroken(turns, shots.point, lost, solid, remarks))
        runs.append(Run(int(shots.setup[part[0]]), pieces, _lost(shots.point[turns], solid)))
    code = _first(shots.code, order)
    return ShotLine(name, str(shots.string[order[0]]), code, tuple(runs), tuple(remarks))


def _closing(run: IntArray, copies: IntArray, shots: Shots) -> IntArray:
    """Return the row that closes a run: of the copies behind it, if all are of its first row."""
    same = shots.point[copies] == shots.point[run[0]]
    same &= shots.setup[copies] == shots.setup[run[0]]
    return copies[:1] if len(run) + 1 >= CLOSED and same.all() else copies[:0]


def _lost(points: IntArray, solid: BoolArray) -> tuple[tuple[int, int], ...]:
    """Return the legs with an end that is not solid; a lone point to itself."""
    turns = points.tolist()
    legs = list(pairwise(turns)) or [(turns[0], turns[0])]
    return tuple(leg for leg in legs if not (solid[leg[0]] and solid[leg[1]]))


def _first(texts: TextArray, rows: IntArray) -> str:
    return next((str(texts[row]) for row in rows.tolist() if texts[row]), "")


def _turns(rows: IntArray, shots: Shots, remarks: list[Remark]) -> list[int]:
    """Return the rows of a run that are new points, and the return that closes it."""
    first: dict[int, tuple[int, int]] = {}
    turns: list[int] = []
    numbers: list[int] = []
    columns = (rows, shots.point[rows], shots.face[rows], shots.round[rows])
    for row, number, *look in zip(*(column.tolist() for column in columns), strict=True):
        if numbers and numbers[-1] == number:
            turns[-1] = row  # the break after it, if any, counts
        elif first.setdefault(number, tuple(look)) == tuple(look):
            turns.append(row)
            numbers.append(number)
    distinct = list(dict.fromkeys(numbers))
    if len(turns) >= CLOSED and numbers == [*distinct, numbers[0]]:
        return turns
    seen: set[int] = set()
    kept = []
    for row, number in zip(turns, numbers, strict=True):
        if number in seen:
            remarks.append(Remark(AGAIN, (number,)))
        else:
            kept.append(row)
        seen.add(number)
    return kept


def _unbroken(
    turns: Sequence[int],
    point: IntArray,
    lost: BoolArray,
    solid: BoolArray,
    remarks: list[Remark],
) -> Iterator[tuple[int, ...]]:
    """Cut where a point has no place or no elevation, and where a row is lost."""
    piece: list[int] = []
    for i, row in enumerate(turns):
        number = int(point[row])
        if solid[number]:
            piece.append(number)
        else:
            remarks.append(Remark(NO_PLACE, (number,)))
        gone = bool(lost[row]) and i + 1 < len(turns)
        if gone:
            remarks.append(Remark(UNREADABLE, (number, int(point[turns[i + 1]]))))
        if piece and (gone or not solid[number]):
            yield tuple(piece)
            piece = []
    if piece:
        yield tuple(piece)
