"""The drill yard of the fire station, shot for the grading machine: a surface with two inlets.

Plan positions are those of `tests.simulate.yards`: metres from the yard's south-west corner. The
pavement falls 1.5 % to the nearer of two inlets, so that a high line runs between them; along the
wall in the south it rises 2 % to the foot of the wall, which is projected, not shot. Two spots
were laid too low: the one stands 8 mm deep in water, the other 2 mm, which no survey of this kind
can tell from level.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulate.site import Aim, Mark, SetupPlan, Site, in_faces
from tests.simulate.yards import CONTROL, CORNER, MARK_POLE, SEVEN_TWENTY, TIES, WORK_POLE, Place

INLETS: dict[str, Place] = {"IN1": (103, 55), "IN2": (103, 105)}
RIM = 112.100  # m, both inlets
FALL, TO_THE_WALL = 0.015, 0.02
SLAB, WALL, SOUTH = 86.0, 84.5, 83.5  # northing of slab edge, wall and edge
NORTH, WEST, EAST, RIDGE = 121.0, 32.0, 128.0, 80.0
WALL_TOP = 113.9  # m, level
GRID = 5.0
PONDS: dict[str, tuple[float, float, float]] = {  # spot: north, east, true depth of water
    "POND8": (93, 55, 0.008),
    "POND2": (93, 105, 0.002),
}
LID: Place = (108, 70)
NEXT_DAY = SEVEN_TWENTY + 86400.0
STANDS = {  # place, height of the axis, orientation, marks, which half is its own
    "S1": ((98.0, 101.0), 1.580, 212.4, "CP5 CP4 CP6 CP7 T7 T8 T9 T10", "east"),
    "S2": ((98.0, 59.0), 1.612, 78.9, "CP7 CP5 CP6 CP8 T7 T8 T9 T10", "west"),
}
# What job.yaml makes of it.
JOB = """\
derived:
  - {point: LID-RIM, from: LID, elevation: 112.335, by: office, reason: "rim set to plan"}
  - {string: WALL-FOOT, project: SLAB, onto: WALL, fall: -2}   # rises 2 % to the foot of the wall
surfaces:
  yard:
    strings: [SLAB, HIGH, WALL-FOOT]   # breaklines
    codes: [pave]
    points: [LID-RIM]
    boundary: EDGE
    inlets: [inlet]
    limits: [{set: asphalt-drainage}]
"""


def pavement(north: float, east: float) -> float:
    """Return the true elevation (m) of the pavement but for the two low spots."""
    away = min(float(np.hypot(max(north, SLAB) - n, east - e)) for n, e in INLETS.values())
    return RIM + FALL * away + TO_THE_WALL * max(SLAB - north, 0.0)


def _mark(name: str, north: float, east: float, above: float = 0.0) -> Mark:
    return _at(name, north, east, pavement(north, east) + above)


def _at(name: str, north: float, east: float, height: float) -> Mark:
    return Mark(name, CORNER[0] + north, CORNER[1] + east, round(height, 4))


def _low(name: str) -> Mark:
    """Place a low spot below its lowest neighbour, the spot nearer to the inlet."""
    north, east, depth = PONDS[name]
    return _mark(name, north, east, pavement(north + GRID, east) - pavement(north, east) - depth)


def _spots(half: str) -> list[tuple[Mark, str]]:
    """Return the spots of a half on the grid, numbered later, with their codes."""
    easts = np.arange(RIDGE + GRID, EAST, GRID) if half == "east" else np.arange(35, RIDGE, GRID)
    named = {place: name for name, place in INLETS.items()}
    named |= {(n, e): name for name, (n, e, _) in PONDS.items()}
    named[LID] = "LID"
    codes = {"LID": "lid"} | dict.fromkeys(INLETS, "inlet")
    found = []
    for north in np.arange(88.0, NORTH, GRID).tolist():
        for east in easts.tolist():
            name = named.get((north, east), "")
            mark = _low(name) if name in PONDS else _mark(name, north, east)
            found.append((mark, codes.get(name, "pave")))
    return found


def _lines(half: str) -> list[tuple[str, str, list[Mark]]]:
    """Return the strings of a half: name, code, marks in order; W1 and W2 are shot from both."""
    sign, side = (1.0, EAST) if half == "east" else (-1.0, WEST)
    along = RIDGE + sign * np.arange(GRID, abs(side - RIDGE), GRID)
    up = np.arange(88.0, NORTH, GRID)
    first = [_mark("", NORTH, e) for e in along.tolist()]
    across = [_mark("", n, side) for n in (NORTH, *up[::-1].tolist(), SOUTH)]
    last = [_mark("", SOUTH, e) for e in along[::-1].tolist()]
    top, foot = _mark("W1", NORTH, RIDGE), _mark("W2", SOUTH, RIDGE)
    ring = [top, *first, *across, *last, foot]
    slab = [_mark("", SLAB, e) for e in np.arange(35.0, EAST, GRID).tolist()]
    own = [m for m in slab if (m.easting - CORNER[1] - RIDGE) * sign > 0]
    joint = _mark("W3", SLAB, RIDGE)
    if half == "west":
        return [("EDGE", "edge", ring[::-1]), ("SLAB", "slab", [*own, joint])]
    wall = [_at("", WALL, east, WALL_TOP) for east in (EAST, RIDGE, WEST)]
    high = [_mark("", n, RIDGE) for n in up.tolist()]
    strings = [("EDGE", "edge", ring), ("SLAB", "slab", [joint, *own])]
    return [*strings, ("HIGH", "pave", high), ("WALL", "wall", wall)]


def _side_shots(label: str, half: str) -> list[tuple[Mark, Aim]]:
    number = 100 * int(label[1:])
    shots = [
        (mark, Aim("", WORK_POLE, code=code, string=string))
        for string, code, marks in _lines(half)
        for mark in marks
    ]
    shots += [(mark, Aim("", WORK_POLE, code=code)) for mark, code in _spots(half)]
    named = []
    for mark, aim in shots:
        name = mark.name
        if not name:
            number += 1
            name = str(number)
        named.append((replace(mark, name=name), replace(aim, point=name)))
    return named


def drill_yard() -> Site:
    """Return the site; nothing in it is random."""
    millimetre = (0.001, 0.001, 0.001)
    control = {name: CONTROL[name] for name in ("CP4", "CP5", "CP6", "CP7", "CP8")}
    marks = {n: replace(_mark(n, *at), control_sd=millimetre) for n, at in control.items()}
    marks |= {n: _mark(n, *TIES[n][:2]) for n in ("T7", "T8", "T9", "T10")}
    setups = []
    for number, (label, (place, height, zero, sights, half)) in enumerate(STANDS.items()):
        side = _side_shots(label, half)
        marks |= {mark.name: mark for mark, _ in side}
        names = sights.split()
        aims = [Aim(name, MARK_POLE, role="foresight", code="nail") for name in names]
        first = replace(aims[0], role="backsight")
        rows = [row for aim in (first, *aims[1:]) for row in in_faces(aim, 1, 2)]
        closing = in_faces(replace(aims[0], role="check"), 1, 2)
        setups.append(
            SetupPlan(
                label,
                (*rows, *(aim for _, aim in side), *closing),
                axis=(CORNER[0] + place[0], CORNER[1] + place[1], pavement(*place) + height),
                orientation=float(np.radians(zero)),
                start=NEXT_DAY + 7200.0 * number,
                pace=25.0,
            )
        )
    return Site(tuple(marks.values()), tuple(setups))
