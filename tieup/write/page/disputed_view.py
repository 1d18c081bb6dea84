"""Points whose place depends on which of several stories is true: a table, and on the plan.

Every place is off ``places`` of the findings. On the plan each stands where its story puts it, from
the middle of them, drawn larger like all differences, with the region of its sds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import FloatArray
from tieup.model.finding import Place
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import COORDINATES
from tieup.write.page.drawing_points import DrawingPoints
from tieup.write.page.page_table import (
    NUMBER,
    PLACE,
    POINT,
    SPREADS,
    TEXT,
    PageColumn,
    PageTable,
    cells,
    columns_of,
    left_out,
)

MOST_POINTS = 40
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
SEEN = 3.0  # drawing units; a difference drawn shorter is not drawn
BESIDE = 14  # pixels from a mark to the bar of its first height
AXES = ("northing", "easting", "elevation")


@dataclass(frozen=True)
class StoryPlace:
    """One place of a point: in plan at (x, y), in height at the end of a bar from (x, y).

    ``across`` and ``along`` are the half axes of its region in drawing units; ``beside`` moves a
    bar sideways by so many pixels, 0 for a place in plan. ``cut`` is True where the places are too
    far apart to be drawn as much larger as everything else.
    """

    from_x: float
    from_y: float
    x: float
    y: float
    across: float
    along: float
    beside: int
    cut: bool
    name: str
    says: str


def disputes_of(site: Reconciliation) -> dict[str, tuple[str, list[Place]]]:
    """Return by point the finding that tells of its places, and the places, that named first."""
    found: dict[str, tuple[str, list[Place]]] = {}
    for finding in site.findings:
        for place in finding.places:
            own = found.setdefault(place.point, (finding.id, []))
            if own[0] == finding.id:
                own[1].append(place)
    return found


def disputed_table(site: Reconciliation) -> PageTable | None:
    """Return every place of each point that has more than one; None where all have one."""
    found = disputes_of(site)
    if not found:
        return None
    lengths = Lengths(site.job.length_unit)
    shown = dict(list(found.items())[:MOST_POINTS])
    rows = [
        (name, LETTERS[number % len(LETTERS)], id, place, places[0])
        for name, (id, places) in shown.items()
        for number, place in enumerate(places)
    ]
    table = _table([place for *_, place, _ in rows])
    away = np.array([place.coordinates for *_, place, _ in rows]) - np.array(
        [first.coordinates for *_, first in rows]
    )
    plan = np.hypot(away[:, 0], away[:, 1]).tolist()
    return PageTable(
        f"Where a point lies by each cause that fits as well as the others. Coordinates in "
        f"{lengths.name}; ± are 1 sd, and how far it is from place A, in {lengths.small}. "
        "coordinates.csv has the middle of them, with sds that cover all.",
        (
            PageColumn("Point", POINT, [name for name, *_ in rows]),
            PageColumn("Place", TEXT, [letter for _, letter, *_ in rows]),
            PageColumn("If", TEXT, [place.story for *_, place, _ in rows]),
            *columns_of(table, (*PLACE, *SPREADS), site.job, kinds=COORDINATES),
            PageColumn("Plan from A", NUMBER, lengths.figures(plan)),
            PageColumn("Height from A", NUMBER, lengths.figures(away[:, 2].tolist())),
            PageColumn("Finding", TEXT, [id for _, _, id, *_ in rows]),
        ),
        left_out(len(shown), len(found), "points", "findings.json"),
    )


def disputed_data(site: Reconciliation, places: DrawingPoints) -> list[list[Any]]:
    """Return for the plan: number of the point, letter, story, N, E, elevation as in the CSV."""
    rows = []
    for name, (_, stories) in disputes_of(site).items():
        number = places.names.get(name, -1)
        table = _table(stories)
        figures = [cells(table, axis, COORDINATES, site.job.angle_unit) for axis in AXES]
        for row, story in enumerate(stories if number >= 0 else ()):
            letter = LETTERS[row % len(LETTERS)]
            rows.append([number, letter, story.story, *(figure[row] for figure in figures)])
    return rows


def _table(places: Sequence[Place]) -> dict[str, FloatArray]:
    """Return places as columns of numbers, as the coordinates table has them."""
    at = np.array([place.coordinates for place in places], dtype=np.float64).reshape(-1, 3)
    sds = np.array([place.sds for place in places], dtype=np.float64).reshape(-1, 3)
    return {name: at[:, n] for n, name in enumerate(AXES)} | {
        f"sd_{name}": sds[:, n] for n, name in enumerate(AXES)
    }


def disputed_places(site: Reconciliation, places: DrawingPoints) -> Iterator[StoryPlace]:
    """Return the places of disputed points that the plan shows, in plan and in height."""
    for name, (_, stories) in list(disputes_of(site).items())[:MOST_POINTS]:
        number = places.names.get(name, -1)
        if number >= 0:
            spot = float(places.x[number]), float(places.y[number])
            yield from _stories(site, places, name, stories, spot)


def _stories(
    site: Reconciliation,
    places: DrawingPoints,
    name: str,
    stories: Sequence[Place],
    spot: tuple[float, float],
) -> Iterator[StoryPlace]:
    """Draw the places of one point around ``spot``, all by one factor."""
    at = np.array([story.coordinates for story in stories])
    sds = np.array([story.sds for story in stories])
    frame = places.frame
    away, spread = frame.drawn(at - at.mean(axis=0)), frame.drawn(sds)
    plan, height = np.hypot(away[:, 0], away[:, 1]).max(), np.abs(away[:, 2]).max()
    flat, upright = _radii(site.job.confidence)
    labels = [f"{name} {LETTERS[number % len(LETTERS)]}" for number in range(len(stories))]
    if plan > SEEN:
        part = min(frame.shown(*spot, east, -north) for north, east, _ in away.tolist())
        ends = np.column_stack([away[:, 1], -away[:, 0]]) * part + spot
        for row, (x, y) in enumerate(ends.tolist()):
            across, along = np.maximum(spread[row, 1::-1] * flat * part, SEEN).tolist()
            name, says = labels[row], f"{labels[row]}: if {stories[row].story}"
            yield _story(spot, (x, y), (across, along), 0, part, name, says)
    if height > SEEN:
        part = min(frame.shown(*spot, 0.0, -up) for up in away[:, 2].tolist())
        for row, up in enumerate(away[:, 2].tolist()):
            end = spot[0], spot[1] - up * part
            size = SEEN, max(float(spread[row, 2]) * upright * part, SEEN)
            name = f"{labels[row]} {'high' if up > 0 else 'low'}"
            says = f"{labels[row]}, height: if {stories[row].story}"
            yield _story(spot, end, size, BESIDE * (row + 1), part, name, says)


Pair: TypeAlias = tuple[float, float]


def _story(
    spot: Pair, end: Pair, size: Pair, beside: int, part: float, name: str, says: str
) -> StoryPlace:
    from_x, from_y, x, y, across, along = (round(value, 2) for value in (*spot, *end, *size))
    return StoryPlace(from_x, from_y, x, y, across, along, beside, part < 1.0, name, says)


def _radii(confidence: float) -> tuple[float, float]:
    """Return how many sds a region of this confidence reaches, of two coordinates and of one.

    Chi-square with two degrees of freedom has the quantile -2 ln(1 - p).

    >>> [round(radius, 3) for radius in _radii(0.95)]
    [2.448, 1.96]
    """
    from scipy.special import ndtri

    return math.sqrt(-2.0 * math.log(1.0 - confidence)), float(ndtri((1.0 + confidence) / 2.0))
