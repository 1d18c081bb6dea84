"""The one place where the strings of a site are put in order across its setups.

The runs of a line meet where they share a point. Two runs that overlap are one line, the finer
one where one skips points of the other. Where they share nothing, the nearest loose ends of two
runs are joined if they are no farther apart than the line's own spacing allows; a line is never
closed that way. What is left in several parts has a break; three arms at one point are a branch
and stay apart, because nothing says which two of them are the line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tieup.linework.oddities import odd_places
from tieup.linework.shot_lines import UNREADABLE, Remark, Run, ShotLine, shot_lines
from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.fieldbook import Shots

BREAK, BRANCH = "break", "branch"
REACH = 2.5  # spacings of the line beyond which two loose ends are not one line
NEAREST = 8  # loose ends that are tried for each

Leg = tuple[int, int]


@dataclass(frozen=True)
class SiteLine:
    """One line of the site.

    ``name`` is what job.yaml calls it; ``string`` and ``code`` are those of its rows. ``parts``
    hold the numbers of its points in order, without a break; a part that ends with its first
    point is closed. ``setups`` are those that shot it, in their turn. ``lost`` are legs that it
    ought to have: an end has no place or no elevation, or a row between could not be read.
    ``runs`` are what was shot one after the other, ``meetings`` the loose ends of two runs that
    lie near enough to be one line, the nearest first.
    """

    name: str
    string: str
    code: str
    parts: tuple[tuple[int, ...], ...]
    setups: tuple[int, ...]
    remarks: tuple[Remark, ...]
    lost: tuple[Leg, ...] = ()
    runs: tuple[Run, ...] = ()
    meetings: tuple[Leg, ...] = ()


def find_lines(shots: Shots, lost: BoolArray, position: FloatArray) -> tuple[SiteLine, ...]:
    """Return the lines of a site in the order of their first shot.

    Parameters
    ----------
    shots
        The raw rows (m,); their points are numbered as in ``position``.
    lost
        Shape (m,), as `tieup.linework.shot_lines.lost_after` gives it.
    position
        Shape (P, 3), m; NaN where a point has no place or no elevation.
    """
    solid: BoolArray = np.asarray(np.isfinite(position).all(axis=1), dtype=bool)
    return tuple(_joined(line, position) for line in shot_lines(shots, lost, solid))


def _joined(line: ShotLine, position: FloatArray) -> SiteLine:
    web = _Web(line.runs, position)
    meetings = tuple(web.join_loose_ends())
    parts = tuple(web.parts())
    remarks = [*line.remarks, *web.branches(), *web.breaks(parts)]
    return SiteLine(
        name=line.name,
        string=line.string,
        code=line.code,
        parts=parts,
        setups=tuple(dict.fromkeys(run.setup for run in line.runs)),
        remarks=(*remarks, *odd_places(parts, position)),
        lost=tuple(dict.fromkeys([*_lost(line), *_unread(line.remarks, parts, position)])),
        runs=line.runs,
        meetings=meetings,
    )


def _lost(line: ShotLine) -> Iterator[Leg]:
    for run in line.runs:
        yield from run.lost


def _unread(
    remarks: Sequence[Remark], parts: Sequence[tuple[int, ...]], position: FloatArray
) -> Iterator[Leg]:
    """Give the gaps that an unreadable row leaves; none where another setup has shot across."""
    for remark in remarks:
        if remark.kind == UNREADABLE and np.isfinite(position[list(remark.points)]).all():
            a, b = remark.points
            if not any(a in part and b in part for part in parts):
                yield a, b


class _Web:
    """The legs between the points of one line, while it is put together."""

    def __init__(self, runs: Sequence[Run], position: FloatArray) -> None:
        self.position = position
        self.runs_of: dict[int, set[int]] = {}  # in the order of the shots
        self.spacing: dict[int, float] = {}
        pieces = [(number, piece) for number, run in enumerate(runs) for piece in run.pieces]
        for number, piece in pieces:
            for point in piece:
                self.runs_of.setdefault(point, set()).add(number)
        for run in runs:
            step = max((_spacing(piece, position) for piece in run.pieces), default=0.0)
            for point in dict.fromkeys(p for piece in run.pieces for p in piece):
                self.spacing[point] = max(step, self.spacing.get(point, 0.0))
        self.legs: dict[Leg, int] = {}  # leg as shot -> its turn
        self.arms: dict[int, list[int]] = {point: [] for point in self.runs_of}
        for start, end in _finest(pieces):
            self._add(start, end)

    def _add(self, start: int, end: int) -> None:
        if end not in self.arms[start]:
            self.legs[start, end] = len(self.legs)
            self.arms[start].append(end)
            self.arms[end].append(start)

    def join_loose_ends(self) -> Iterator[Leg]:
        """Join loose ends of different runs, the nearest first; give those that meet.

        The two ends of one piece may meet: they are given, and the line stays open.
        """
        met: set[int] = set()
        ends = [point for point, arms in self.arms.items() if len(arms) < 2]
        group = self._groups()
        for start, end in _near_pairs(ends, self.position):
            reach = REACH * max(self.spacing[start], self.spacing[end])
            free = len(self.arms[start]) < 2 and len(self.arms[end]) < 2
            if (
                free
                and not met & {start, end}
                and _distance(self.position, start, end) <= reach
                and not self.runs_of[start] & self.runs_of[end]
            ):
                yield start, end
                if _root(group, start) == _root(group, end):
                    met |= {start, end}
                    continue
                group[_root(group, start)] = _root(group, end)
                self._add(start, end)

    def _groups(self) -> dict[int, int]:
        """Return for each point another one of its piece, itself for one of them."""
        group = {point: point for point in self.arms}
        for start, end in self.legs:
            group[_root(group, start)] = _root(group, end)
        return group

    def branches(self) -> Iterator[Remark]:
        """Return a remark for every point at which more than two arms meet."""
        for point, arms in self.arms.items():
            if len(arms) > 2:
                yield Remark(BRANCH, (point,))

    def parts(self) -> Iterator[tuple[int, ...]]:
        """Return the unbroken parts, each in the direction of the first leg shot of it."""
        used: set[Leg] = set()
        ends = [point for point, arms in self.arms.items() if len(arms) != 2]
        found = [self._walk(p, arm, used) for p in ends for arm in self.arms[p] or [p]]
        found += [self._walk(p, self.arms[p][0], used) for p in self.arms if len(self.arms[p]) == 2]
        turn = {point: number for number, point in enumerate(self.runs_of)}
        parts = [self._turned(part) for part in found if part]
        yield from sorted(parts, key=lambda part: min(turn[point] for point in part))

    def breaks(self, parts: Sequence[tuple[int, ...]]) -> Iterator[Remark]:
        """Return a remark for each gap between parts but those of one run: they lost a point."""
        for number, part in enumerate(parts[1:], 1):
            ends = {part[0], part[-1]}
            others = {end for other in parts[:number] for end in (other[0], other[-1])}
            if not ends & others:  # else they meet at a branch
                pairs = ((_distance(self.position, a, b), a, b) for a in others for b in ends)
                gap, a, b = min(pairs)
                if not self.runs_of[a] & self.runs_of[b]:
                    yield Remark(BREAK, (a, b), gap)

    def _walk(self, start: int, arm: int, used: set[Leg]) -> tuple[int, ...]:
        """Follow a line from a point along one of its arms; empty where that has been done."""
        if arm == start:
            return (start,)
        part, here, there = [start], start, arm
        while (here, there) not in used:
            used |= {(here, there), (there, here)}
            part.append(there)
            onward = [point for point in self.arms[there] if point != here]
            if len(self.arms[there]) != 2 or there == start:
                break
            here, there = there, onward[0]
        return tuple(part) if len(part) > 1 else ()

    def _turned(self, part: tuple[int, ...]) -> tuple[int, ...]:
        never = len(self.legs)
        ahead = min((self.legs.get(leg, never) for leg in pairwise(part)), default=0)
        back = min((self.legs.get(leg, never) for leg in pairwise(part[::-1])), default=0)
        return part if ahead <= back else part[::-1]


def _finest(pieces: Sequence[tuple[int, tuple[int, ...]]]) -> Iterator[Leg]:
    """Yield the legs of all pieces but those that another piece has points of its own along.

    Where two pieces disagree about the order of their points, the one shot first is right.
    """
    places: dict[int, dict[int, int]] = {}
    for number, (_, piece) in enumerate(pieces):
        for place, point in enumerate(piece):
            places.setdefault(point, {}).setdefault(number, place)
    for number, (_, piece) in enumerate(pieces):
        for start, end in pairwise(piece):
            for other in (places[start].keys() & places[end].keys()) - {number}:
                a, b = sorted((places[start][other], places[end][other]))
                between = set(pieces[other][1][a + 1 : b])
                if between and (other < number or not between & set(piece)):
                    break
            else:
                yield start, end


def _near_pairs(ends: list[int], position: FloatArray) -> list[Leg]:
    """Return pairs of loose ends, the nearest first: each end with its nearest others."""
    if len(ends) < 2:
        return []
    from scipy.spatial import cKDTree

    plan = position[ends, :2]
    distance, other = cKDTree(plan).query(plan, k=min(NEAREST + 1, len(ends)))
    pairs = {
        (min(i, j), max(i, j)): d
        for i, (row, numbers) in enumerate(zip(distance.tolist(), other.tolist(), strict=True))
        for d, j in zip(row, numbers, strict=True)
        if i != j
    }
    order = sorted(pairs, key=lambda pair: (pairs[pair], pair))
    return [(ends[i], ends[j]) for i, j in order]


def _root(group: dict[int, int], point: int) -> int:
    while group[point] != point:
        group[point] = group[group[point]]
        point = group[point]
    return point


def _distance(position: FloatArray, start: int, end: int) -> float:
    return float(np.hypot(*(position[end, :2] - position[start, :2])))


def _spacing(piece: tuple[int, ...], position: FloatArray) -> float:
    """Return the largest spacing (m) within a piece, 0 for a single point."""
    steps = np.diff(position[list(piece), :2], axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).max(initial=0.0))
