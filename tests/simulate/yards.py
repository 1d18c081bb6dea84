"""The two invented sites of the sample jobs: a fire-station yard and a loading dock.

Plan positions below are metres north and east of the yard's south-west corner.

Fire station: the engine house stands in the middle; front apron to the south, access lane
to the east, drill yard to the north, wash bay to the west. The pavement falls 1.4 % away
from the house to a ring of drains 22.5 m out, rises 1 % beyond, and 0.3 % runs off eastward.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.simulate.scenery import Building
from tests.simulate.site import Aim, Mark, SetupPlan, Site, in_faces

Place = tuple[float, float]

CORNER = (2000.0, 5000.0)  # N, E of the yard's south-west corner, m
HOUSE = Building(np.array([64.25, 79.75]), np.array([16.75, 26.75]))
DOOR_SILL = 112.60  # m, pavement at the house
DRAIN_RING = 22.5  # m from the house
SEVEN_TWENTY = 1_772_522_400.0  # 2026-03-03 07:20 UTC
MARK_POLE = 1.600  # m, the bipod pole on marks
WORK_POLE = 1.500  # m, the pole of the side shots

CONTROL: dict[str, Place] = {
    "CP1": (8.5, 19.5), "CP2": (5.5, 81), "CP3": (22.5, 129), "CP4": (61.5, 148.5),
    "CP5": (115, 143), "CP6": (120.5, 78.5), "CP7": (115, 17), "CP8": (61.5, 8.5),
}  # fmt: skip
TIES: dict[str, tuple[float, float, str]] = {
    "T1": (31, 47.5, "curb"), "T2": (33.5, 89.5, "nail"), "T3": (11, 50.5, "curb"),
    "T4": (8.5, 115, "curb"), "T5": (42, 112, "bolt"), "T6": (75.5, 117.5, "lid"),
    "T7": (87, 112, "curb"), "T8": (103.5, 103.5, "lid"), "T9": (98, 42, "nail"),
    "T10": (87, 45, "curb"), "T11": (64.5, 42, "bolt"), "T12": (42, 36.5, "nail"),
}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """A string shot from one setup: ``count`` points from ``start`` to ``end``.

    ``above`` is its height above the pavement. ``first`` and ``last`` name an end that
    another setup shoots too; the other points are numbered by setup.
    """

    setup: str
    string: str
    code: str
    count: int
    start: Place
    end: Place
    first: str = ""
    last: str = ""
    above: float = 0.0


LINES = (
    Line("S1", "CURB-S", "curb", 12, (12.5, 28), (12.5, 89.5), "W9", "W1", above=0.15),
    Line("S1", "JOINT", "joint", 9, (36.5, 56), (36.5, 89.5), "W10", "W2"),
    Line("S1", "TRENCH", "drain", 10, (25, 50.5), (25, 88)),
    Line("S1", "SLAB-S", "slab", 12, (47, 56), (47, 103.5), above=0.02),
    Line("S2", "CURB-S", "curb", 9, (12.5, 89.5), (12.5, 137), "W1", above=0.15),
    Line("S2", "JOINT", "joint", 6, (36.5, 89.5), (36.5, 110.5), "W2"),
    Line("S2", "TRENCH", "drain", 6, (25, 92.5), (25, 113.5)),
    Line("S2", "CURB-E", "curb", 9, (17, 145.5), (56, 145.5), last="W3", above=0.15),
    Line("S2", "LANE", "joint", 8, (28, 117.5), (61.5, 117.5), last="W4"),
    Line("S3", "CURB-E", "curb", 11, (56, 145.5), (109, 145.5), "W3", above=0.15),
    Line("S3", "LANE", "joint", 6, (61.5, 117.5), (84, 117.5), "W4"),
    Line("S3", "VALLEY", "drain", 10, (103.5, 134.5), (103.5, 84), last="W5"),
    Line("S3", "CURB-N", "curb", 12, (123, 140), (123, 81), last="W6", above=0.15),
    Line("S4", "VALLEY", "drain", 12, (103.5, 84), (103.5, 22.5), "W5"),
    Line("S4", "CURB-N", "curb", 12, (123, 81), (123, 19.5), "W6", above=0.15),
    Line("S4", "CURB-W", "curb", 8, (120.5, 11), (84, 11), last="W7", above=0.15),
    Line("S4", "SLAB-N", "slab", 10, (81.5, 56), (81.5, 103.5), above=0.02),
    Line("S4", "WASH", "wash", 4, (89.5, 36.5), (78.5, 36.5), last="W8"),
    Line("S5", "CURB-W", "curb", 12, (84, 11), (22.5, 11), "W7", above=0.15),
    Line("S5", "WASH", "wash", 8, (78.5, 36.5), (45, 36.5), "W8"),
    Line("S5", "SUMP", "drain", 7, (73, 31), (47.5, 31)),
    Line("S5", "CURB-S", "curb", 4, (12.5, 12.5), (12.5, 28), last="W9", above=0.15),
    Line("S5", "SLAB-W", "slab", 7, (50.5, 52.7), (78.5, 52.7), above=0.02),
    Line("S5", "JOINT", "joint", 5, (36.5, 39), (36.5, 56), last="W10"),
)
LIDS = (
    ("S1", 19.5, 59), ("S1", 17.5, 84), ("S2", 52, 126), ("S2", 33.5, 137),
    ("S3", 98, 117.5), ("S3", 106.5, 137), ("S4", 92.5, 73), ("S4", 109, 31),
    ("S5", 42, 19.5), ("S5", 70, 22.5),
)  # fmt: skip
SPOTS = {  # setup: south, north, west, east of the area of its pavement spots; how many
    "S1": (17, 45, 39, 87, 14),
    "S2": (17, 45, 112, 143, 14),
    "S3": (84, 117.5, 109, 140, 16),
    "S4": (87, 117.5, 22.5, 81, 14),
    "S5": (19.5, 78.5, 17, 47.5, 14),
}


def pavement(north: float, east: float) -> float:
    """Return the pavement's elevation (m) at a place of the fire-station yard."""
    beyond = np.abs(np.array([north, east]) - HOUSE.centre) - HOUSE.half
    away = float(np.hypot(*np.maximum(beyond, 0.0)))
    fall = 0.014 * min(away, DRAIN_RING) - 0.010 * max(away - DRAIN_RING, 0.0)
    return DOOR_SILL - fall - 0.003 * (east - 79.75)


@dataclass(frozen=True)
class _Stand:
    """Where a setup stands and which marks it sights, the backsight first."""

    label: str
    sights: str
    place: Place
    height: float
    orientation: float  # degrees
    start: float  # hours after the first
    station: str = ""


STANDS = (
    _Stand("S1", "CP1 CP2 CP3 CP8 T1 T2 T3 T4 T5 T12", (31, 66), 1.571, 217.3, 0.0),
    _Stand("S2", "CP4 CP2 CP5 T2 T4 T5 T6 T7", (22.5, 129), 1.604, 26.1, 1.0, "CP3"),
    _Stand("S3", "CP6 CP3 CP4 CP5 T6 T7 T8 T9", (95, 129), 1.548, 301.8, 2.1),
    _Stand("S4", "CP7 CP1 CP6 CP8 T7 T8 T10 T11 T12", (98, 42), 1.622, 123.5, 5.2, "T9"),
    _Stand("S5", "CP7 CP1 CP2 CP8 T1 T3 T9 T10 T11 T12", (58, 24), 1.590, 140.9, 6.3),
)


def _mark(name: str, north: float, east: float, above: float = 0.0) -> Mark:
    return Mark(name, CORNER[0] + north, CORNER[1] + east, round(pavement(north, east) + above, 4))


def _string(line: Line, rng: np.random.Generator) -> list[tuple[Mark, Aim]]:
    """Place the points of a line, up to 5 mm off it; ``""`` for names still to be numbered."""
    shot = []
    for i, share in enumerate(np.linspace(0.0, 1.0, line.count)):
        north, east = np.add(line.start, share * np.subtract(line.end, line.start))
        name = {0: line.first, line.count - 1: line.last}.get(i, "")
        if not name:
            north, east = np.round(np.add((north, east), rng.uniform(-0.005, 0.005, 2)), 4)
        aim = Aim(name, WORK_POLE, code=line.code, string=line.string)
        shot.append((_mark(name, float(north), float(east), line.above), aim))
    return shot


def _loose(stand: _Stand, rng: np.random.Generator) -> list[tuple[Mark, Aim]]:
    """Place lids and pavement spots, which belong to no string, 6 m or more from the setup."""
    south, north, west, east, count = SPOTS[stand.label]
    lids = [(n, e, "lid") for label, n, e in LIDS if label == stand.label]
    spots = rng.uniform((south, west), (north, east), (4 * count, 2)).round(2)
    spots = spots[np.hypot(*(spots - stand.place).T) >= 6.0][:count]
    places = lids + [(float(n), float(e), "pave") for n, e in spots]
    return [(_mark("", n, e), Aim("", WORK_POLE, code=code)) for n, e, code in places]


def _side_shots(stand: _Stand, rng: np.random.Generator) -> list[tuple[Mark, Aim]]:
    shots = [s for line in LINES if line.setup == stand.label for s in _string(line, rng)]
    shots += _loose(stand, rng)
    number = 100 * int(stand.label[1:])
    numbered = []
    for mark, aim in shots:
        name = mark.name
        if not name:
            number += 1
            name = str(number)
        numbered.append((replace(mark, name=name), replace(aim, point=name)))
    return numbered


def _programme(stand: _Stand, side: list[Aim]) -> tuple[Aim, ...]:
    names = stand.sights.split()
    codes = {name: code for name, (_, _, code) in TIES.items()}
    aims = [Aim(name, MARK_POLE, role="foresight", code=codes.get(name, "nail")) for name in names]
    backsight = replace(aims[0], role="backsight")
    marks = [row for aim in (backsight, *aims[1:]) for row in in_faces(aim, 1, 2)]
    return (*marks, *side, *in_faces(replace(aims[0], role="check"), 1, 2))


def _setup(stand: _Stand, side: list[Aim]) -> SetupPlan:
    north, east = stand.place
    return SetupPlan(
        stand.label,
        _programme(stand, side),
        station=stand.station,
        axis=(CORNER[0] + north, CORNER[1] + east, pavement(north, east) + stand.height),
        instrument_height=stand.height if stand.station else 0.0,
        orientation=float(np.radians(stand.orientation)),
        start=SEVEN_TWENTY + 3600.0 * stand.start,
        pace=25.0,
    )


def fire_station(rng: np.random.Generator) -> Site:
    """Return the fire-station yard; ``rng`` only scatters its side shots."""
    millimetre = (0.001, 0.001, 0.001)
    marks = {n: replace(_mark(n, *at), control_sd=millimetre) for n, at in CONTROL.items()}
    marks |= {name: _mark(name, n, e) for name, (n, e, _) in TIES.items()}
    setups = []
    for stand in STANDS:
        side = _side_shots(stand, rng)
        marks |= {mark.name: mark for mark, _ in side}
        setups.append(_setup(stand, [aim for _, aim in side]))
    return Site(tuple(marks.values()), tuple(setups))


FOOT = 0.3048  # m
DOCK_MARKS = {  # feet: N, E, H
    "CP1": (1000.00, 3000.00, 350.00), "CP2": (1010.50, 3150.25, 351.10),
    "CP3": (1120.75, 3140.50, 350.65), "CP4": (1105.25, 2990.75, 349.20),
    "T1": (1050.00, 3075.00, 350.10), "T2": (1085.00, 3060.00, 350.00),
}  # fmt: skip
DOCK_STANDS = {"S1": (1035.0, 3040.0, 355.25), "S2": (1080.0, 3110.0, 355.60)}


def _dock_edge(number: int, north: float, east: float) -> list[Mark]:
    """Place the ten points that setup ``number`` at a place (feet) shoots along the dock."""
    return [
        Mark(
            str(100 * number + i + 1),
            FOOT * (north + 24.0),
            FOOT * (east - 45.0 + 10.0 * i),
            FOOT * (349.9 + 0.15 * i),
        )
        for i in range(10)
    ]


def _dock_programme(number: int, edge: list[Mark]) -> tuple[Aim, ...]:
    """Sight all marks, the setup's own backsight first, then the edge, then check."""
    names = list(DOCK_MARKS)[number - 1 :] + list(DOCK_MARKS)[: number - 1]
    aims = [Aim(name, 5.0 * FOOT, role="foresight") for name in names]
    opening, closing = replace(aims[0], role="backsight"), replace(aims[0], role="check")
    side = [Aim(m.name, 5.0 * FOOT, code="curb", string=f"DOCK{number}") for m in edge]
    marks = [row for aim in (opening, *aims[1:]) for row in in_faces(aim, 1, 2)]
    return (*marks, *side, *in_faces(closing, 1, 2))


def loading_dock(rng: np.random.Generator) -> Site:
    """Return the smallest useful site: two free stations that share four control marks.

    Its control is held, with coordinates that are whole hundredths of a foot.
    """
    marks = [
        Mark(name, FOOT * n, FOOT * e, FOOT * h, (0, 0, 0) if name.startswith("CP") else None)
        for name, (n, e, h) in DOCK_MARKS.items()
    ]
    setups = []
    for number, (label, (north, east, up)) in enumerate(DOCK_STANDS.items(), start=1):
        edge = _dock_edge(number, north, east)
        marks += edge
        setups.append(
            SetupPlan(
                label,
                _dock_programme(number, edge),
                axis=(FOOT * north, FOOT * east, FOOT * up),
                orientation=float(rng.uniform(0.0, 2.0 * np.pi)),
                start=SEVEN_TWENTY + 3600.0 * (number - 1),
            )
        )
    return Site(tuple(marks), tuple(setups))
