"""What looks wrong along a line: one place under two names, a line that turns back.

Both limits are common practice, no source: two points of one string closer than 20 mm in space
are the same place to a crew with a pole, and a curb, an edge or a flow line hardly ever turns by
more than 135 degrees at one point. A wrong string name, two points in the wrong order and a point
of another bay make it do so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from tieup.linework.shot_lines import Remark
from tieup.model.arrays import FloatArray

SAME = 0.02  # m
SHARP = np.radians(135.0)
DUPLICATE, ZIGZAG = "duplicate", "zigzag"


def odd_places(parts: Sequence[tuple[int, ...]], position: FloatArray) -> Iterator[Remark]:
    """Return the duplicates and zigzags of one line; ``position`` (P, 3) in m."""
    yield from _duplicates(parts, position)
    for part in parts:
        yield from _zigzags(part, position)


def _duplicates(parts: Sequence[tuple[int, ...]], position: FloatArray) -> Iterator[Remark]:
    points = list(dict.fromkeys(point for part in parts for point in part))
    if len(points) < 2:
        return
    from scipy.spatial import cKDTree

    for a, b in sorted(cKDTree(position[points]).query_pairs(SAME)):
        away = float(np.linalg.norm(position[points[a]] - position[points[b]]))
        yield Remark(DUPLICATE, (points[a], points[b]), away)


def _zigzags(part: tuple[int, ...], position: FloatArray) -> Iterator[Remark]:
    """Return the points at which a part turns back; neighbours that both do, together.

    Legs that are hardly longer than the points are sure have no direction: points of one
    place count once.
    """
    points = [part[0]]
    for point in part[1:]:
        if np.hypot(*(position[point, :2] - position[points[-1], :2])) > SAME:
            points.append(point)
    if len(points) > 2 and points[0] == points[-1]:
        points.append(points[1])  # a closed line can turn back where it closes
    steps = np.diff(position[points, :2], axis=0)
    ahead, back = steps[1:], steps[:-1]
    sine = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    turn = np.abs(np.arctan2(sine, np.einsum("ni,ni->n", back, ahead)))
    run: list[int] = []
    for i, sharp in enumerate([*(turn > SHARP), False]):
        if sharp:
            run.append(points[i + 1])
        elif run:
            yield Remark(ZIGZAG, tuple(run))
            run = []
