"""The view of surfaces: contours, arrows of fall, ponds, inlets, seams, limits that are broken."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.model.reconciliation import Reconciliation
from tieup.model.surface_drawn import SiteSurface
from tieup.units import length_word
from tieup.write.page.drawing_layout import WIDTH, DrawingLayout, frame_of
from tieup.write.page.wording import BAD, GOOD, OPEN
from tieup.write.surface_screen import facts, headline, sections

MOST_FACES = 6000  # triangles that a tap answers for
ROWS, COLUMNS = 5, 7  # at most so many arrows
TAIL = 34.0  # units of the drawing from the middle of an arrow to its number
INDEX = 5  # each so many contours one is drawn strong, with its elevation
SHAPES = {"drains": GOOD, "holds": BAD, "cannot tell": OPEN}
STEEPEST = 1e-4  # per cent; less has no arrow


@dataclass(frozen=True)
class Arrow:
    """An arrow of fall from the middle of a triangle: place, turn in degrees, per cent."""

    x: float
    y: float
    turn: float
    says: str

    @property
    def tail(self) -> tuple[float, float]:
        """Return where the number stands, behind the arrow."""
        way = np.radians(self.turn)
        return round(-TAIL * float(np.cos(way)), 1), round(-TAIL * float(np.sin(way)), 1)


@dataclass(frozen=True)
class NamedSpot:
    """A named place on the drawing with its shape: a pond, a place nobody can tell, an inlet."""

    x: float
    y: float
    shape: str
    name: str


@dataclass(frozen=True)
class SurfaceMap:
    """One surface as it is drawn; paths are in units of the drawing.

    ``data`` is what the script answers a tap with, None where the surface is too large.
    """

    id: str
    title: str
    shape: str
    facts: str
    sections: Sequence[tuple[str, Sequence[str]]]
    frame: DrawingLayout
    unit: str
    border: str
    breaklines: str
    thin: str
    strong: str
    seams: str
    broken: str
    shores: Sequence[tuple[str, str]]
    levels: Sequence[NamedSpot]
    arrows: Sequence[Arrow]
    spots: Sequence[NamedSpot]
    inlets: Sequence[NamedSpot]
    interval: str
    data: dict[str, Any] | None


def surface_maps(site: Reconciliation) -> tuple[SurfaceMap, ...]:
    """Return the surfaces of a site as the page shows them."""
    return tuple(
        _map(site, surface, number)
        for number, surface in enumerate(site.surfaces)
        if surface.verdict
    )


def _map(site: Reconciliation, surface: SiteSurface, number: int) -> SurfaceMap:
    north, east = (np.asarray(surface.points[axis], float) for axis in ("northing", "easting"))
    frame = frame_of(north, east, 0.0)
    assert frame is not None  # a surface with triangles has places
    drawing = _Drawing(surface, frame, np.column_stack([frame.x(east), frame.y(north)]))
    thin, strong, levels = drawing.contours()
    return SurfaceMap(
        id=f"surface-{number}",
        title=headline(surface),
        shape=SHAPES[surface.verdict],
        facts=facts(site, surface),
        sections=sections(site, surface),
        frame=frame,
        unit=length_word(site.job.length_unit),
        border=_path((drawing.at[np.array(ring) - 1] for ring in surface.border), closed=True),
        breaklines=_path(drawing.at[np.array(ids) - 1] for _, ids in surface.breaklines),
        thin=thin,
        strong=strong,
        seams=drawing.faces(np.asarray(surface.faces["joint"]) == "across"),
        broken=drawing.faces(np.asarray(surface.faces["breaks"]) != ""),
        shores=[*drawing.shores()],
        levels=levels,
        arrows=[*drawing.arrows()],
        spots=[*drawing.spots()],
        inlets=[*drawing.inlets()],
        interval=_interval(surface, site.job.length_unit),
        data=drawing.data(site) if len(surface.faces["a"]) <= MOST_FACES else None,
    )


def _interval(surface: SiteSurface, unit: str) -> str:
    levels = sorted({level for level, _ in surface.contours})
    steps = np.diff(levels)
    return f"{steps.min():.6g} {length_word(unit)}" if len(steps) else ""


@dataclass(frozen=True)
class _Drawing:
    """A surface on its drawing; ``at`` (v, 2) are the vertices in its units."""

    surface: SiteSurface
    frame: DrawingLayout
    at: FloatArray

    @property
    def corners(self) -> FloatArray:
        """Return the corners (t, 3, 2) of the triangles."""
        rows = np.column_stack([self.surface.faces[name] for name in "abc"]).astype(int) - 1
        return np.asarray(self.at[rows])

    def _line(self, places: FloatArray) -> FloatArray:
        return np.column_stack([self.frame.x(places[:, 1]), self.frame.y(places[:, 0])])

    def contours(self) -> tuple[str, str, list[NamedSpot]]:
        """Return the thin and the strong contours, and the elevations beside the strong ones."""
        levels = sorted({level for level, _ in self.surface.contours})
        step = float(np.diff(levels).min()) if len(levels) > 1 else 1.0
        strong, thin = [], []
        named: dict[float, FloatArray] = {}
        for level, places in self.surface.contours:
            line = self._line(places)
            if round(level / step) % INDEX:
                thin.append(line)
                continue
            strong.append(line)
            if len(line) > len(named.get(level, ())):
                named[level] = line
        spots = [
            NamedSpot(*_round(line[len(line) // 2]), "", f"{level:.6g}")
            for level, line in named.items()
        ]
        return _path(thin), _path(strong), spots

    def faces(self, chosen: Any) -> str:
        """Return chosen triangles as one path."""
        return _path(self.corners[np.flatnonzero(chosen)], closed=True)

    def arrows(self) -> Iterator[Arrow]:
        """Give an arrow for the largest triangle in each part of the drawing."""
        corners, fall = self.corners, np.asarray(self.surface.faces["fall"], float)
        middle = corners.mean(axis=1)
        u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        area = np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        part = (middle[:, 1] * ROWS / self.frame.height).astype(int) * COLUMNS
        part += (middle[:, 0] * COLUMNS / WIDTH).astype(int)
        order = np.lexsort([-area, part])
        first = order[np.diff(part[order], prepend=-1) != 0]
        east, south = self._down()
        for face in first[fall[first] > STEEPEST].tolist():
            turn = float(np.degrees(np.arctan2(south[face], east[face])))
            yield Arrow(*_round(middle[face]), round(turn, 1), f"{fall[face]:.1f}")

    def _down(self) -> tuple[FloatArray, FloatArray]:
        """Return the way down (t,) on each triangle, to the right and to the bottom."""
        corners = self.corners
        rows = np.column_stack([self.surface.faces[name] for name in "abc"]).astype(int) - 1
        height = np.asarray(self.surface.points["elevation"], float)[rows]
        u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        p, q = height[:, 1] - height[:, 0], height[:, 2] - height[:, 0]
        turn = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        sign = -np.sign(turn)
        return sign * (p * v[:, 1] - q * u[:, 1]), sign * (q * u[:, 0] - p * v[:, 0])

    def shores(self) -> Iterator[tuple[str, str]]:
        """Give shape and outline of the water of each pond."""
        for row, places in self.surface.shores:
            shape = SHAPES[str(self.surface.ponds["verdict"][row])]
            yield shape, _path([self._line(places)], closed=True)

    def spots(self) -> Iterator[NamedSpot]:
        """Give each place that holds water or that nobody can tell."""
        ponds = self.surface.ponds
        places = np.column_stack([ponds[name] for name in ("northing", "easting")]).astype(float)
        at = self._line(places.reshape(-1, 2))
        for place, word, name in zip(at, ponds["verdict"], ponds["point"], strict=True):
            yield NamedSpot(*_round(place), SHAPES[str(word)], str(name))

    def inlets(self) -> Iterator[NamedSpot]:
        """Give each inlet by its name."""
        wanted = {*self.surface.inlets}
        for number, name in enumerate(np.asarray(self.surface.points["point"]).tolist()):
            if name in wanted:
                yield NamedSpot(*_round(self.at[number]), "", name)

    def data(self, site: Reconciliation) -> dict[str, Any]:
        """Return what a tap is answered with."""
        surface = self.surface
        words = {
            name: [str(w) for w in surface.faces[name]] for name in ("proof", "setups", "breaks")
        }
        return {
            "unit": length_word(site.job.length_unit),
            "at": np.round(self.at, 1).reshape(-1).tolist(),
            "height": np.round(np.asarray(surface.points["elevation"], float), 4).tolist(),
            "sd": np.round(np.asarray(surface.points["sd_elevation"], float), 5).tolist(),
            "faces": (np.column_stack([surface.faces[name] for name in "abc"]).astype(int) - 1)
            .reshape(-1)
            .tolist(),
            "fall": np.round(np.asarray(surface.faces["fall"], float), 2).tolist(),
            "sd_fall": np.round(np.asarray(surface.faces["sd_fall"], float), 2).tolist(),
            **{name: _coded(own) for name, own in words.items()},
        }


def _coded(words: Sequence[str]) -> dict[str, Any]:
    """Return words as numbers in a list of the different ones."""
    different = list(dict.fromkeys(words))
    number = {word: i for i, word in enumerate(different)}
    return {"list": different, "of": [number[word] for word in words]}


def _round(place: FloatArray) -> tuple[float, float]:
    x, y = np.round(place, 1).tolist()
    return x, y


def _path(lines: Any, *, closed: bool = False) -> str:
    """Return lines (k, 2) as the data of one path."""
    end = "z" if closed else ""
    return "".join(
        "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in np.asarray(line).tolist()) + end
        for line in lines
        if len(line) > 1
    )
