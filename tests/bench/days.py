"""One day on an invented site: every error drawn, every reading computed, nothing adjusted.

The formulas are this module's own; nothing of the package is used. SI and radians. A day keeps
the truth, the errors and what was booked apart, so that the same draw can be read with and
without a mistake.

    prism    = mark + (0, 0, true pole height) + error of the visit
    axis     = mark + (0, 0, true instrument height) + error of setting up, or where a free one is
    zenith   = straight line + (1 - k) D / 2R + index
    distance = straight line x (1 + scale)

A visit is one setting up of a target: its error in plan and height is in all its readings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from tests.bench.grounds import Bay, FloatArray, Ground, Rng, draw_ground

SECOND = np.pi / 648_000.0
RADIUS = 6_371_000.0  # m, mean radius of the earth
LOOKS = ("one", "closing", "closing-far", "rounds", "faces")
STATED_POINTING = 3.0 * SECOND
STATED_DISTANCE = (1.5e-3, 2e-6)
STATED_CENTRING = (0.5e-3, 1.0e-3)  # m, instrument and target, each way
STATED_HEIGHT = (1.0e-3, 1.0e-3)
STATED_REFRACTION = 0.13
FREE_EVERY = 3  # every third job has no control


@dataclass(frozen=True)
class World:
    """How a day really goes; the defaults are what the job states.

    ``looks`` is one of LOOKS. ``standing``: later looks of a setup are to a target that was not
    touched (rounds, closing shots), or face 2 follows face 1 in the same visit. ``tripods``: one
    error of a mark all day, for all setups. ``gear`` multiplies every error, ``pole`` those of
    targets. ``heavy``: Student t of 4 degrees with the same sd. ``ppm``: scale of the distances.
    ``index`` in arc seconds, ``lean`` of the pole in m, one way all day. ``rounded``: readings
    to 1" and 1 mm. ``free``: None for every third job. ``said``: the job says what stood.
    ``fine``: so many times better gear, stated and true.
    """

    layout: str = "default"
    looks: str = "one"
    standing: bool = False
    tripods: bool = False
    gear: float = 1.0
    pole: float = 1.0
    heavy: bool = False
    ppm: float = 0.0
    index: float = 0.0
    lean: float = 0.0
    rounded: bool = False
    refraction: float = STATED_REFRACTION
    free: bool | None = None
    said: bool = False
    fine: float = 1.0


@dataclass(frozen=True)
class Row:
    """One raw row: who looked where, and the errors in it.

    ``target`` (3,) is the error of the visit, m; ``pointing`` (3,) that of this reading in
    direction, zenith (rad) and distance (m). ``booked`` is the pole height in the book.
    """

    bay: int
    point: str
    visit: int
    face: int
    round: int
    role: str
    height: float
    booked: float
    target: FloatArray
    pointing: FloatArray


@dataclass(frozen=True)
class Day:
    """A whole job. ``moved``: by mark, the first setup that finds it elsewhere, and by how much."""

    world: World
    ground: Ground
    free: bool
    rows: tuple[Row, ...]
    setting_up: FloatArray  # (S, 3) m
    booked: tuple[float, ...]  # instrument heights in the book
    lean: FloatArray  # (3,) m
    control: Mapping[str, FloatArray]
    moved: Mapping[str, tuple[int, FloatArray]] = field(default_factory=dict)

    def place(self, point: str, bay: int) -> FloatArray:
        """Return where a point is when a setup looks at it."""
        first, shift = self.moved.get(point, (len(self.booked), np.zeros(3)))
        return self.ground.places[point] + (shift if bay >= first else 0.0)

    def shared(self) -> tuple[int, ...]:
        """Return the numbers of the rows to shared marks."""
        marks = set(self.ground.marks)
        return tuple(k for k, row in enumerate(self.rows) if row.point in marks)


def draw_day(world: World, seed: int, job: int) -> Day:
    """Draw job number ``job`` of a series."""
    rng = np.random.default_rng([seed, job])
    ground = draw_ground(rng, world.layout)
    free = not ground.control or (job % FREE_EVERY == 2 if world.free is None else world.free)
    count = len(ground.bays)
    sd = [STATED_CENTRING[0], STATED_CENTRING[0], STATED_HEIGHT[0]]
    setting_up = _errors(rng, world, (count, 3)) * sd
    setting_up[[not bay.station for bay in ground.bays]] = 0.0
    way = rng.uniform(0.0, 2.0 * np.pi)
    lean = world.lean * np.array([np.cos(way), np.sin(way), 0.0])
    rows = tuple(_Drawing(rng, world, ground).rows())
    control = {} if free else {name: ground.places[name] for name in ground.control}
    booked = tuple(bay.height for bay in ground.bays)
    return Day(world, ground, free, rows, setting_up, booked, lean, control)


def _errors(rng: Rng, world: World, shape: tuple[int, ...]) -> FloatArray:
    """Draw errors of sd 1 as the world has them, the whole gear's factor included."""
    if world.heavy:
        return world.gear * rng.standard_t(4.0, shape) / np.sqrt(2.0)
    return world.gear * rng.standard_normal(shape)


class _Drawing:
    """Draws the rows of a day one after the other."""

    def __init__(self, rng: Rng, world: World, ground: Ground) -> None:
        self.rng, self.world, self.ground = rng, world, ground
        self.visits = 0
        self.stood = {name: self._visit() for name in ground.marks} if world.tripods else {}

    def rows(self) -> Iterator[Row]:
        """Draw every setup: the marks, the side shots, the closing looks."""
        for number, bay in enumerate(self.ground.bays):
            visits = {mark: self._visit(mark) for mark in bay.marks}
            yield from self._first_looks(number, bay, visits)
            pole = round(float(self.rng.uniform(1.3, 2.0)), 3)
            for point in bay.side:
                yield self._row(number, point, (*self._visit()[:2], pole), role="side")
            for point in self._closing(bay):
                yield self._row(number, point, self._again(visits[point]), role="check")

    def _first_looks(self, number: int, bay: Bay, visits: Mapping[str, tuple]) -> Iterator[Row]:
        """Draw the looks at the marks, in the order they are made."""
        looks, standing = self.world.looks, self.world.standing
        roles = {mark: "foresight" if k else "backsight" for k, mark in enumerate(bay.marks)}
        for mark in bay.marks:
            yield self._row(number, mark, visits[mark], role=roles[mark])
            if looks == "faces" and standing:
                yield self._row(number, mark, visits[mark], face=2, role=roles[mark])
        if looks == "rounds" or (looks == "faces" and not standing):
            second = {"face": 2} if looks == "faces" else {"round": 2}
            for mark in bay.marks:
                yield self._row(number, mark, self._again(visits[mark]), role=roles[mark], **second)

    def _closing(self, bay: Bay) -> tuple[str, ...]:
        """Return the marks that are shot again at the end."""
        if self.world.looks == "closing":
            return bay.marks[:2]
        if self.world.looks != "closing-far":
            return ()
        far = [np.hypot(*(self.ground.places[mark] - bay.axis)[:2]) for mark in bay.marks]
        return tuple(bay.marks[k] for k in np.argsort(far)[:-3:-1])

    def _visit(self, mark: str = "") -> tuple[int, FloatArray, float]:
        """Draw a visit: its number, its error, its pole height; that of the mark if it stands."""
        if mark and self.world.tripods:
            self.visits += 1
            return (self.visits, *self.stood[mark][1:])
        self.visits += 1
        sd = np.array([STATED_CENTRING[1], STATED_CENTRING[1], STATED_HEIGHT[1]])
        error = self.world.pole * sd * _errors(self.rng, self.world, (3,))
        return self.visits, error, round(float(self.rng.uniform(1.3, 2.0)), 3)

    def _again(self, visit: tuple[int, FloatArray, float]) -> tuple[int, FloatArray, float]:
        """Return a later look's visit: the same one if the target stood, else a new error."""
        if self.world.standing or self.world.tripods:
            return visit
        number, error, _ = self._visit()
        return number, error, visit[2]

    def _row(
        self,
        bay: int,
        point: str,
        visit: tuple[int, FloatArray, float],
        face: int = 1,
        round: int = 1,
        role: str = "",
    ) -> Row:
        number, target, height = visit
        away = np.linalg.norm(self.ground.places[point] - self.ground.bays[bay].axis)
        far = STATED_DISTANCE[0] + STATED_DISTANCE[1] * away
        pointing = np.array([STATED_POINTING, STATED_POINTING, far])
        pointing = pointing * _errors(self.rng, self.world, (3,)) / self.world.fine
        return Row(bay, point, number, face, round, role, height, height, target, pointing)


def polar(axis: FloatArray, prism: FloatArray, refraction: float) -> FloatArray:
    """Return azimuth, zenith angle and slope distance of straight lines (n, 3)."""
    line = prism - axis
    level = np.hypot(line[:, 0], line[:, 1])
    bend = (1.0 - refraction) / (2.0 * RADIUS) * level
    azimuth = np.arctan2(line[:, 1], line[:, 0])
    zenith = np.arctan2(level, line[:, 2]) + bend
    return np.column_stack([azimuth, zenith, np.linalg.norm(line, axis=1)])


def readings(day: Day) -> FloatArray:
    """Return what was read: direction, zenith (rad) and slope distance (m) of each row (n, 3)."""
    world, bays = day.world, day.ground.bays
    axis = np.array([_axis(day, row.bay) for row in day.rows])
    prism = np.array(
        [
            day.place(row.point, row.bay) + row.target + day.lean + [0.0, 0.0, row.height]
            for row in day.rows
        ]
    )
    read = polar(axis, prism, world.refraction)
    read[:, 0] -= [bays[row.bay].turn for row in day.rows]
    read[:, 2] *= 1.0 + world.ppm * 1e-6
    read += [row.pointing for row in day.rows]
    second = np.array([row.face == 2 for row in day.rows])
    read[:, 0] = np.mod(read[:, 0] + np.pi * second, 2.0 * np.pi)
    read[:, 1] = np.where(second, 2.0 * np.pi - read[:, 1], read[:, 1]) + world.index * SECOND
    if world.rounded:
        read = np.round(read / [SECOND, SECOND, 1e-3]) * [SECOND, SECOND, 1e-3]
    return read


def _axis(day: Day, number: int) -> FloatArray:
    """Return where the axis of a setup truly is."""
    bay = day.ground.bays[number]
    if not bay.station:
        return bay.axis
    return day.place(bay.station, number) + [0.0, 0.0, bay.height] + day.setting_up[number]


def without_errors(day: Day) -> Day:
    """Return the same day, set up and read without any error."""
    nothing = np.zeros(3)
    rows = tuple(replace(row, target=nothing, pointing=nothing) for row in day.rows)
    return replace(day, rows=rows, setting_up=np.zeros_like(day.setting_up), lean=nothing)
