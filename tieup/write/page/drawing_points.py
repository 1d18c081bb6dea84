"""Which points the plan shows, and where they stand on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.page.drawing_layout import DrawingLayout, frame_of
from tieup.write.page.page_table import numbers, texts

MOST_POINTS = 2500
MOST_SETUPS = 250
RANK = {"control": 0, "station": 1, "tie": 2, "derived": 3}  # what is shown first; shots last


@dataclass(frozen=True)
class DrawingPoints:
    """The points and setups that the plan shows.

    ``rows`` (n,) are rows of the coordinates table, in its order, with ``x``, ``y`` (n,) in
    drawing units; ``setup_x``, ``setup_y`` (s,) of the first setups of the setups table.
    ``names`` numbers the points shown and ``setups`` the setups shown. ``total`` counts all
    points that have a place.
    """

    frame: DrawingLayout
    rows: IntArray
    x: FloatArray
    y: FloatArray
    names: dict[str, int]
    setup_x: FloatArray
    setup_y: FloatArray
    setups: dict[str, int]
    total: int

    def point(self, name: str, setup: str) -> int:
        """Return the number of a point as a setup named it; -1 where it is not shown.

        Two points of one name are told apart by their setup: name@setup.
        """
        found = self.names.get(name, -1)
        return found if found >= 0 else self.names.get(f"{name}@{setup}", -1)

    def at(self, point: int) -> str:
        """Return a point as part of an SVG path."""
        return f"{self.x[point]:.2f} {self.y[point]:.2f}"


def places_of(site: Reconciliation) -> DrawingPoints | None:
    """Choose what to show; None where no point has a place."""
    coordinates, setups = site.coordinates, site.setups
    north, east = numbers(coordinates, "northing"), numbers(coordinates, "easting")
    rows = _chosen(coordinates, np.flatnonzero(np.isfinite(north) & np.isfinite(east)))
    setup_rows = slice(0, MOST_SETUPS)
    setup_north = numbers(setups, "northing")[setup_rows]
    setup_east = numbers(setups, "easting")[setup_rows]
    frame = frame_of(
        np.concatenate([north[rows], setup_north]),
        np.concatenate([east[rows], setup_east]),
        _limit(site.ties),
    )
    if frame is None:
        return None
    names = np.asarray(coordinates["point"], dtype=object)[rows].tolist()
    labels = texts(setups, "setup")[setup_rows]
    return DrawingPoints(
        frame=frame,
        rows=rows,
        x=frame.x(east[rows]),
        y=frame.y(north[rows]),
        names={str(name): number for number, name in enumerate(names)},
        setup_x=frame.x(setup_east),
        setup_y=frame.y(setup_north),
        setups={label: number for number, label in enumerate(labels)},
        total=int((np.isfinite(north) & np.isfinite(east)).sum()),
    )


def drawn_roles(coordinates: Table, rows: IntArray) -> list[str]:
    """Return what the points of some rows are drawn as: their roles, derived strings as shots.

    The string is drawn itself, as it is of shots; a mark and a name at each would hide the rest.
    """
    roles, strings = (texts(coordinates, name, rows) for name in ("role", "string"))
    return [
        "shot" if role == "derived" and string else role
        for role, string in zip(roles, strings, strict=True)
    ]


def _chosen(coordinates: Table, rows: IntArray) -> IntArray:
    """Return the rows to show: marks first, of the shots each n-th where there are too many."""
    if len(rows) <= MOST_POINTS:
        return rows
    roles = np.array(drawn_roles(coordinates, rows), dtype=object)
    rank = np.full(len(rows), len(RANK))
    for role, place in RANK.items():
        rank[roles == role] = place
    order = np.argsort(rank, kind="stable")
    marks = rows[order[: int((rank < len(RANK)).sum())]][: MOST_POINTS // 2]
    shots = rows[rank == len(RANK)]
    step = -(-len(shots) // max(MOST_POINTS - len(marks), 1)) or 1
    return np.sort(np.concatenate([marks, shots[::step]]))


def _limit(ties: Table) -> float:
    """Return the smallest limit in plan of any tie, 0 without one."""
    limits = numbers(ties, "limit_horizontal")
    limits = limits[np.isfinite(limits) & (limits > 0)]
    return float(limits.min()) if len(limits) else 0.0
