"""Invented sites as they truly are: marks, setups, and who sees what; nothing measured yet.

Coordinates are N, E, H in m. Every mark is seen from, or stood over by, two setups at least, and
the setups hang together by pairs that share two marks or more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Rng = np.random.Generator
Relief = Callable[[FloatArray], FloatArray]  # plan coordinates (2,) to a place (3,)

CORNER = np.array([1000.0, 3000.0, 100.0])  # where the site lies; the height is its mean
NEAREST = 4.0  # m from an instrument to what it sights
APART = 6.0  # m between two marks
RELIEF = 3.0  # m above and below the mean
SIDE_REACH = 40.0  # m from an instrument to its farthest side shot
CARRIED = 1.2  # times the longest sight of a mark that side shots reach. Common practice: 1.5
WHIM = 0.35  # how freely a lazy crew takes a far mark instead of a near one (log of distance)
ANY = 10.0  # the same for a crew that takes what it sees
GAP = np.radians(200.0)  # rad; widest gap between the marks of a setup. Common practice: opposite
PAIR = 2  # marks that two setups share where they hang together


@dataclass(frozen=True)
class Plan:
    """How large a site is; ``grid`` is setups along N and E, ``size`` metres along N and E.

    A crew takes marks all round, whatever their distance, and carries its work no farther than
    them; where work is ``carried``, it takes the nearest and goes as far as it likes.
    """

    grid: tuple[int, int]
    marks: tuple[int, int]
    seen: tuple[int, int]
    side: tuple[int, int]
    size: tuple[float, float]
    control: int
    occupied: float  # share of the setups that stand over a mark
    carried: bool = False


PLANS = {
    "default": Plan((2, 2), (12, 16), (5, 9), (8, 15), (60.0, 80.0), 4, 0.5),
    "carried": Plan((2, 2), (12, 16), (5, 9), (8, 15), (60.0, 80.0), 4, 0.5, carried=True),
    "small": Plan((1, 2), (6, 6), (6, 6), (8, 15), (40.0, 50.0), 0, 0.0),
    "large": Plan((3, 4), (30, 30), (12, 17), (8, 15), (100.0, 140.0), 4, 0.5),
    "three-marks": Plan((2, 2), (12, 16), (5, 9), (8, 15), (60.0, 80.0), 3, 0.5),
    "100-m": Plan((2, 2), (12, 16), (5, 9), (8, 15), (100.0, 100.0), 4, 0.5),
    "500-m": Plan((2, 2), (12, 16), (5, 9), (8, 15), (500.0, 500.0), 4, 0.5),
    "2-km": Plan((2, 2), (12, 16), (5, 9), (8, 15), (2000.0, 2000.0), 4, 0.5),
    "5-km": Plan((2, 2), (12, 16), (5, 9), (8, 15), (5000.0, 5000.0), 4, 0.5),
}


@dataclass(frozen=True)
class Bay:
    """One setup as it truly stands: over ``station``, or free where that is empty.

    ``axis`` is the instrument's axis without any error of setting up, ``turn`` the azimuth of
    its circle's zero, ``height`` the axis over the mark. ``marks`` in the order they are shot.
    """

    label: str
    station: str
    axis: FloatArray
    height: float
    turn: float
    marks: tuple[str, ...]
    side: tuple[str, ...]


@dataclass(frozen=True)
class Ground:
    """One site: ``places`` of marks and side points by name, ``control`` among the marks."""

    places: Mapping[str, FloatArray]
    control: tuple[str, ...]
    bays: tuple[Bay, ...]

    @property
    def marks(self) -> tuple[str, ...]:
        """Return the shared marks."""
        side = {name for bay in self.bays for name in bay.side}
        return tuple(name for name in self.places if name not in side)

    def shared(self, one: int, other: int) -> tuple[str, ...]:
        """Return the marks that two setups see or stand over."""
        both = [{*self.bays[i].marks, self.bays[i].station} for i in (one, other)]
        return tuple(name for name in self.marks if name in both[0] & both[1])

    @property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """Return the pairs of setups that share two marks or more."""
        every = combinations(range(len(self.bays)), 2)
        return tuple((i, j) for i, j in every if len(self.shared(i, j)) >= PAIR)


def draw_ground(rng: Rng, layout: str) -> Ground:
    """Draw one site; one that does not hang together is thrown away."""
    while True:
        ground = _draw(rng, PLANS[layout])
        if ground is not None and _one_piece(ground):
            return ground


def _draw(rng: Rng, plan: Plan) -> Ground | None:
    relief = _relief(rng, plan)
    places = _marks(rng, plan, relief)
    station, axis, height = _instruments(rng, plan, places, relief)
    seen = _seen(rng, plan, places, station, axis)
    if seen is None:
        return None
    if not plan.carried and max(_gap(places, axis[i], m) for i, m in enumerate(seen)) > GAP:
        return None
    bays = []
    every = {name: relief(place) for name, place in places.items()}
    for i, marks in enumerate(seen):
        longest = max(float(np.hypot(*(places[m] - (axis[i] - CORNER)[:2]))) for m in marks)
        reach = SIDE_REACH if plan.carried else min(SIDE_REACH, CARRIED * longest)
        side = _side_shots(rng, plan, axis[i], 100 * (i + 1), relief, reach)
        every |= side
        turn = float(rng.uniform(0.0, 2.0 * np.pi))
        order = tuple(str(name) for name in rng.permutation(sorted(marks)))
        bays.append(Bay(f"S{i + 1}", station[i], axis[i], height[i], turn, order, tuple(side)))
    control = tuple(name for name in places if name.startswith("CP"))
    return Ground(every, control, tuple(bays))


def _relief(rng: Rng, plan: Plan) -> Relief:
    """Draw the lie of the land."""
    slope = rng.normal(0.0, 1.0, 2)
    phase = rng.uniform(0.0, 2.0 * np.pi, 2)

    def surface(place: FloatArray) -> FloatArray:
        part = place / np.array(plan.size)
        height = slope @ (part - 0.5) + np.sin(2.0 * np.pi * part + phase).sum()
        return CORNER + np.array([*place, np.clip(height, -RELIEF, RELIEF)])

    return surface


def _marks(rng: Rng, plan: Plan, relief: Relief) -> dict[str, FloatArray]:
    """Return plan coordinates of the marks; control is the marks nearest to the corners."""
    count = int(rng.integers(plan.marks[0], plan.marks[1] + 1))
    places: list[FloatArray] = []
    while len(places) < count:
        place = rng.uniform(0.0, plan.size)
        if all(np.hypot(*(place - other)) > APART for other in places):
            places.append(place)
    corners = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])[: plan.control] * np.array(plan.size)
    chosen: list[int] = []
    for corner in corners:
        away = [np.hypot(*(place - corner)) for place in places]
        chosen.append(next(int(k) for k in np.argsort(away) if int(k) not in chosen))
    rest = [k for k in range(count) if k not in chosen]
    named = {f"CP{n + 1}": places[k] for n, k in enumerate(chosen)}
    return named | {f"T{n + 1}": places[k] for n, k in enumerate(rest)}


def _instruments(
    rng: Rng,
    plan: Plan,
    places: dict[str, FloatArray],
    relief: Relief,
) -> tuple[list[str], list[FloatArray], list[float]]:
    """Return station name, axis and height of each setup, on a jittered grid."""
    station: list[str] = []
    axis: list[FloatArray] = []
    height: list[float] = []
    cell = np.array(plan.size) / plan.grid
    for i, j in np.ndindex(*plan.grid):
        middle = (np.array([i, j]) + 0.5) * cell
        below = ""
        if rng.random() < plan.occupied:
            near = sorted(places, key=lambda name: np.hypot(*(places[name] - middle)))
            below = next(name for name in near if name not in station)
        where = places[below] if below else _clear(rng, middle, cell, places)
        up = round(float(rng.uniform(1.4, 1.7)), 3)
        station.append(below)
        axis.append(relief(where) + np.array([0.0, 0.0, up]))
        height.append(up)
    return station, axis, height


def _clear(
    rng: Rng, middle: FloatArray, cell: FloatArray, places: dict[str, FloatArray]
) -> FloatArray:
    """Return a place for a free setup that stands off all marks."""
    while True:
        where = middle + rng.uniform(-0.3, 0.3, 2) * cell
        if all(np.hypot(*(where - place)) > NEAREST for place in places.values()):
            return where


def _seen(
    rng: Rng,
    plan: Plan,
    places: dict[str, FloatArray],
    station: list[str],
    axis: list[FloatArray],
) -> list[set[str]] | None:
    """Return the marks that each setup sees; None where some mark would have one look only."""
    seen: list[set[str]] = []
    away = [
        {name: np.hypot(*(place - (at - CORNER)[:2])) for name, place in places.items()}
        for at in axis
    ]
    for own, below in zip(away, station, strict=True):
        count = int(rng.integers(plan.seen[0], plan.seen[1] + 1))
        whim = {
            name: far * np.exp(rng.normal(0.0, WHIM if plan.carried else ANY))
            for name, far in own.items()
        }
        able = [name for name in sorted(whim, key=whim.__getitem__) if name != below]
        able = [name for name in able if own[name] > NEAREST]
        seen.append(set(able[:count]))
    for name in places:
        free = [i for i in range(len(axis)) if name not in seen[i] and station[i] != name]
        free = [i for i in free if len(seen[i]) < plan.seen[1] and away[i][name] > NEAREST]
        free.sort(key=lambda i: away[i][name])
        looks = sum(name in own for own in seen) + (name in station)
        if len(free) < 2 - looks:
            return None
        for i in free[: max(0, 2 - looks)]:
            seen[i].add(name)
    return seen


def _gap(places: dict[str, FloatArray], axis: FloatArray, marks: set[str]) -> float:
    """Return the widest angle (rad) at a setup in which it has no mark."""
    away = np.array([places[name] - (axis - CORNER)[:2] for name in sorted(marks)])
    bearing = np.sort(np.arctan2(away[:, 1], away[:, 0]))
    return float(np.diff(np.append(bearing, bearing[0] + 2.0 * np.pi)).max())


def _side_shots(
    rng: Rng,
    plan: Plan,
    axis: FloatArray,
    first: int,
    relief: Relief,
    reach: float,
) -> dict[str, FloatArray]:
    """Return the side points of one setup within ``reach`` m, numbered from ``first`` + 1."""
    count = int(rng.integers(plan.side[0], plan.side[1] + 1))
    far = rng.uniform(NEAREST + 1.0, reach, count)
    way = rng.uniform(0.0, 2.0 * np.pi, count)
    flat = (axis - CORNER)[:2] + far[:, None] * np.column_stack([np.cos(way), np.sin(way)])
    return {str(first + n + 1): relief(place) for n, place in enumerate(flat)}


def _one_piece(ground: Ground) -> bool:
    """Say whether the setups hang together by pairs that share two marks or more."""
    reached = {0}
    for _ in ground.bays:
        reached |= {k for pair in ground.pairs if reached & set(pair) for k in pair}
    return len(reached) == len(ground.bays)
