"""Invent small building sites: marks round a building, setups among them, what each sees.

A strong site: marks on a ring round the building, which hides what lies behind it; each
setup sees its marks over a fan of 90 degrees or more and shares two or more with the setup
before it. A weak site: all marks of every setup within a fan of 45 degrees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np

from tests.simulate.site import Aim, Mark, SetupPlan, Site, in_faces
from tieup.model.arrays import FloatArray

Kind = Literal["free", "occupied", "mixed"]
Spread = Literal["strong", "weak"]
ControlKind = Literal["held", "weighted", "none"]

ORIGIN = np.array([5000.0, 2000.0])  # N, E of the building's middle, m
GROUND = 100.0
MORNING = 1_772_525_400.0  # 2026-03-03 08:10 UTC
STRONG_FAN = np.radians(90.0)
WEAK_FAN = np.radians(45.0)
WEIGHTED_SD = 0.0015  # m, each component of a weighted control mark


@dataclass(frozen=True)
class Building:
    """A rectangle round ``centre`` (N, E) with half sides ``half`` (N, E), m."""

    centre: FloatArray
    half: FloatArray

    def hides(self, start: FloatArray, end: FloatArray) -> bool:
        """Tell whether the line between two plan positions (N, E) crosses the building."""
        first = start - self.centre
        step = np.where(end == start, 1e-12, end - start)
        enter, leave = (-self.half - first) / step, (self.half - first) / step
        latest = max(np.minimum(enter, leave).max(), 0.0)
        earliest = min(np.maximum(enter, leave).min(), 1.0)
        return bool(latest < earliest)


@dataclass(frozen=True)
class Plan:
    """Plan positions (N, E): marks (P, 2), setups (S, 2), and the marks each setup sights.

    ``beside`` (S) are the other setups whose ground each setup can see.
    """

    marks: FloatArray
    setups: FloatArray
    sighted: tuple[tuple[int, ...], ...]
    beside: tuple[tuple[int, ...], ...]


def fan(station: FloatArray, marks: FloatArray) -> float:
    """Return the angle (rad) between the outermost of the rays to marks, full circle - gap."""
    rays = np.sort(np.arctan2(marks[:, 1] - station[1], marks[:, 0] - station[0]))
    gaps = np.diff(np.append(rays, rays[0] + 2.0 * np.pi))
    return float(2.0 * np.pi - gaps.max())


def _ring(
    rng: np.random.Generator, count: int, building: Building, clear: tuple[float, float]
) -> FloatArray:
    """Spread ``count`` positions round a building, between two clearances from its walls."""
    turn = rng.uniform(0.0, 2.0 * np.pi)
    angle = turn + 2.0 * np.pi * (np.arange(count) + rng.uniform(-0.2, 0.2, count)) / count
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    wall = 1.0 / np.max(np.abs(unit) / building.half, axis=1)  # from the middle to the wall
    return np.asarray(building.centre + unit * (wall + rng.uniform(*clear, count))[:, None])


def _choice(
    rng: np.random.Generator, station: FloatArray, marks: FloatArray, seen: list[int],
    shared_with: Sequence[int], ties: int, spread: Spread,
) -> tuple[int, ...] | None:  # fmt: skip
    """Choose ``ties`` of the marks seen, with the spread wanted and two or more shared."""
    for pick in rng.permutation(list(combinations(seen, ties))).reshape(-1, ties):
        if shared_with and len(set(pick) & set(shared_with)) < min(2, ties):
            continue
        angle = fan(station, marks[pick])
        near = np.hypot(*(marks[pick] - station).T).min() > 4.0
        if near and (angle >= STRONG_FAN if spread == "strong" else angle <= WEAK_FAN):
            return tuple(int(i) for i in pick)
    return None


def _strong_plan(rng: np.random.Generator, setups: int, ties: int, shrink: float) -> Plan | None:
    building = Building(ORIGIN, shrink * rng.uniform([6.0, 8.0], [16.0, 22.0]))
    count = min(10, max(4, ties + 1, setups + int(rng.integers(1, 4))))
    marks = _ring(rng, count, building, (14.0, 26.0))
    stations = _ring(rng, setups, building, (8.0, 18.0))
    sighted: list[tuple[int, ...]] = []
    for station in stations:
        seen = [i for i in range(count) if not building.hides(station, marks[i])]
        before = sighted[-1] if sighted else ()
        pick = _choice(rng, station, marks, seen, before, ties, "strong")
        if pick is None:
            return None
        sighted.append(pick)
    beside = tuple(
        tuple(
            j
            for j in (i - 1, i + 1)
            if 0 <= j < setups and not building.hides(stations[i], stations[j])
        )
        for i in range(setups)
    )
    return Plan(marks, stations, tuple(sighted), beside)


def _weak_plan(rng: np.random.Generator, setups: int, ties: int, _: float) -> Plan | None:
    """Put the marks along a street, 55 to 70 m from the setups: a fan on one side."""
    count = max(4, ties + 1)
    along = np.linspace(-18.0, 18.0, count) + rng.uniform(-1.0, 1.0, count)
    marks = ORIGIN + np.column_stack([rng.uniform(-62.0, -56.0, count), along])
    along = np.linspace(-12.0, 12.0, setups) + rng.uniform(-1.0, 1.0, setups)
    stations = ORIGIN + np.column_stack([rng.uniform(-2.0, 6.0, setups), along])
    sighted: list[tuple[int, ...]] = []
    for station in stations:
        before = sighted[-1] if sighted else ()
        pick = _choice(rng, station, marks, list(range(count)), before, ties, "weak")
        if pick is None:
            return None
        sighted.append(pick)
    return Plan(marks, stations, tuple(sighted), ((),) * setups)


def _ground(plan: FloatArray, fall: FloatArray) -> FloatArray:
    return np.asarray(GROUND + (plan - ORIGIN) @ fall)


def _mark(
    name: str, place: FloatArray, height: float, sd: tuple[float, float, float] | None = None
) -> Mark:
    """Make a mark at plan position and height, both to the tenth of a millimetre."""
    north, east, up = np.round([*place, height], 4).tolist()
    return Mark(name, north, east, up, control_sd=sd)


def _marks(rng: np.random.Generator, plan: Plan, fall: FloatArray, control: str) -> list[Mark]:
    held = np.ones(len(plan.marks), dtype=bool)
    held[1::2] = len(plan.marks) < 6  # six marks or more: every other one is an unknown tie
    sd = {"held": 0.0, "weighted": WEIGHTED_SD}.get(control)
    heights = _ground(plan.marks, fall) + rng.uniform(-0.3, 0.3, len(plan.marks))
    return [
        _mark(f"CP{i + 1}", place, height, (sd, sd, sd))
        if known and sd is not None
        else _mark(f"T{i + 1}", place, height)
        for i, (place, height, known) in enumerate(zip(plan.marks, heights, held, strict=True))
    ]


def _side_shots(
    rng: np.random.Generator, number: int, station: FloatArray, count: int, fall: FloatArray
) -> list[tuple[Mark, Aim]]:
    """Shoot a curb round the setup in strings of ten, numbered from 101, 201, ..."""
    bearing = rng.uniform(0.0, 2.0 * np.pi) + np.radians(9.0) * np.arange(count)
    radius = rng.uniform(9.0, 14.0) + 0.05 * np.arange(count)
    places = station + np.column_stack([np.cos(bearing), np.sin(bearing)]) * radius[:, None]
    return [
        (
            _mark(str(100 * (number + 1) + 1 + i), place, height),
            Aim(
                str(100 * (number + 1) + 1 + i),
                code="curb",
                string=f"C{number + 1}{'ABCDEFGHIJ'[i // 10]}",
            ),
        )
        for i, (place, height) in enumerate(zip(places, _ground(places, fall), strict=True))
    ]


def _programme(names: Sequence[str], side: Sequence[Aim]) -> tuple[Aim, ...]:
    """Backsight, the other marks, side shots, the backsight again; marks in two faces."""
    rows = [*in_faces(Aim(names[0], role="backsight"), 1, 2)]
    for name in names[1:]:
        rows += in_faces(Aim(name, role="foresight"), 1, 2)
    return (*rows, *side, *in_faces(Aim(names[0], role="check"), 1, 2))


def random_site(
    rng: np.random.Generator,
    *,
    setups: int = 5,
    kind: Kind = "free",
    ties: int = 4,
    spread: Spread = "strong",
    control: ControlKind = "held",
    side_shots: int = 20,
) -> Site:
    """Invent a site of ``setups`` setups that sight ``ties`` marks each, in two faces.

    ``kind`` mixed: every other setup stands over a mark of its own, ST1, ST2, ..., which is
    control like CP1 and is sighted by the setups before and after that can see it.
    ``control`` held: exact coordinates with sd 0 for every other mark (all of them where there
    are fewer than six); weighted: with an error of 1.5 mm; none: a free net.
    Side shots (up to 99 a setup) are seen once, in one face.
    """
    if not 1 <= setups <= 8 or not 2 <= ties <= 9 or not 0 <= side_shots <= 99:
        raise ValueError("setups 1-8, ties 2-9, side shots 0-99")
    draw = _strong_plan if spread == "strong" else _weak_plan
    attempts = (draw(rng, setups, ties, max(0.2, 0.98**attempt)) for attempt in range(500))
    plan = next((found for found in attempts if found is not None), None)
    if plan is None:
        raise ValueError(f"no {spread} site of {setups} setups with {ties} ties each was found")
    return _site(rng, plan, kind, control, side_shots)


def _site(
    rng: np.random.Generator, plan: Plan, kind: Kind, control: ControlKind, side_shots: int
) -> Site:
    fall = rng.uniform(-0.02, 0.02, 2)
    marks = _marks(rng, plan, fall, control)
    sd = marks[0].control_sd
    occupied = {"free": [], "occupied": range(len(plan.setups))}.get(
        kind, range(1, len(plan.setups), 2)
    )
    extra: list[Mark] = []
    setups: list[SetupPlan] = []
    start = MORNING
    for i, (station, sighted) in enumerate(zip(plan.setups, plan.sighted, strict=True)):
        names = [marks[j].name for j in sighted] + [
            f"ST{j + 1}" for j in plan.beside[i] if j in occupied
        ]
        side = _side_shots(rng, i, station, side_shots, fall)
        extra += [mark for mark, _ in side]
        height = float(np.round(rng.uniform(1.45, 1.65), 3))
        under = _mark(f"ST{i + 1}", station, float(_ground(station, fall)), sd)
        if i in occupied:
            extra.append(under)
        setup = SetupPlan(
            f"S{i + 1}",
            _programme(names, [aim for _, aim in side]),
            axis=(under.northing, under.easting, under.elevation + height),
            orientation=float(rng.uniform(0.0, 2.0 * np.pi)),
            start=start,
        )
        if i in occupied:
            setup = replace(setup, station=f"ST{i + 1}", instrument_height=height)
        setups.append(setup)
        start += setup.pace * len(setup.aims) + 900.0
    return Site(marks=(*marks, *extra), setups=tuple(setups))
