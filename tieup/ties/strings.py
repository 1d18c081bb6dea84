"""Where a string of shots passes from one setup to another.

A string is shot in runs, one setup at a time. Runs join where they share a point, or, where
they do not, at the two nearest ends that are no farther apart than the line's own spacing
allows. Ends that belong to nothing are the ends of the line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from tieup.model.arrays import FloatArray, IntArray, TextArray

REACH = 2.5  # spacings of the line beyond which two loose ends are not one line


@dataclass(frozen=True)
class Run:
    """Points of a string that one setup shot one after the other."""

    string: str
    setup: int
    points: tuple[int, ...]


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


def find_runs(string: TextArray, setup: IntArray, point: IntArray, time: FloatArray) -> list[Run]:
    """Cut every string that more than one setup has shot into runs.

    Parameters
    ----------
    string, setup, point
        Shape (m,), in recorded order: the name of each shot's string (empty for none), its
        setup and point, -1 where the row takes no part.
    time
        Shape (m,), s; orders the shots of a string where every one of them has a time.
    """
    runs: list[Run] = []
    taken = np.flatnonzero((string != "") & (setup >= 0) & (point >= 0))
    for name, rows in _by_name(string[taken], taken):
        if (setup[rows] == setup[rows[0]]).all():
            continue
        if np.isfinite(time[rows]).all():
            rows = rows[np.argsort(time[rows], kind="stable")]
        points: list[int] = []
        for i, row in enumerate(rows):
            if not points or points[-1] != point[row]:  # a second face is no second point
                points.append(int(point[row]))
            last = i + 1 == len(rows) or setup[rows[i + 1]] != setup[row]
            if last:
                runs.append(Run(name, int(setup[row]), tuple(dict.fromkeys(points))))
                points = []
    return runs


def _by_name(names: TextArray, rows: IntArray) -> Iterator[tuple[str, IntArray]]:
    """Yield the rows of every name, names in order of appearance."""
    codes: dict[str, int] = {}
    code = np.array([codes.setdefault(name, len(codes)) for name in names.tolist()], dtype=np.int64)
    order = np.argsort(code, kind="stable")
    starts = np.searchsorted(code[order], np.arange(len(codes) + 1))
    for name, (a, b) in zip(codes, pairwise(starts), strict=True):
        yield name, rows[order[a:b]]


def find_change_overs(runs: list[Run], position: FloatArray) -> list[ChangeOver]:
    """Return where runs of one string and different setups meet; ``position`` is (P, 3)."""
    found: list[ChangeOver] = []
    strings: dict[str, list[Run]] = {}
    for run in runs:
        strings.setdefault(run.string, []).append(run)
    for own in strings.values():
        used: set[tuple[int, int]] = set()
        for a, b in combinations(range(len(own)), 2):
            if own[a].setup != own[b].setup:
                found += _at_shared_points(own, a, b, used)
        found += _at_loose_ends(own, used, position)
    return found


def _at_shared_points(
    runs: list[Run], a: int, b: int, used: set[tuple[int, int]]
) -> list[ChangeOver]:
    """Join two runs at every point both have shot; their ends there are no longer loose."""
    found = []
    for point in runs[a].points:
        if point not in runs[b].points:
            continue
        arms = []
        for run in (a, b):
            points = runs[run].points
            at = points.index(point)
            end = at >= len(points) - 1 - at  # which end of the run is nearer
            used.add((run, int(end)))
            arms.append(points[max(at - 2, 0) : at][::-1] if end else points[at + 1 : at + 3])
        setups = (runs[a].setup, runs[b].setup)
        found.append(ChangeOver(runs[a].string, setups, point, arms[0], arms[1]))
    return found


def _at_loose_ends(
    runs: list[Run], used: set[tuple[int, int]], position: FloatArray
) -> list[ChangeOver]:
    """Join loose ends of different setups, the nearest first."""
    ends = [(run, end) for run in range(len(runs)) for end in (0, 1) if (run, end) not in used]
    spacing = [_spacing(run, position) for run in runs]
    candidates = []
    for (a, i), (b, j) in combinations(ends, 2):
        if runs[a].setup == runs[b].setup:
            continue
        gap = _distance(position, runs[a].points[-i], runs[b].points[-j])
        reach = REACH * max(spacing[a], spacing[b])
        if gap <= reach:
            candidates.append((gap, a, i, b, j))
    found = []
    for _, a, i, b, j in sorted(candidates):
        if (a, i) in used or (b, j) in used:
            continue
        used |= {(a, i), (b, j)}
        arms = [
            run.points[::-1][:2] if end else run.points[:2]
            for run, end in ((runs[a], i), (runs[b], j))
        ]
        setups = (runs[a].setup, runs[b].setup)
        found.append(ChangeOver(runs[a].string, setups, -1, arms[0], arms[1]))
    return found


def _distance(position: FloatArray, start: int, end: int) -> float:
    return float(np.hypot(*(position[end, :2] - position[start, :2])))


def _spacing(run: Run, position: FloatArray) -> float:
    """Return the largest spacing (m) within a run, 0 for a single point."""
    steps = np.diff(position[list(run.points), :2], axis=0)
    return float(np.hypot(steps[:, 0], steps[:, 1]).max(initial=0.0))
