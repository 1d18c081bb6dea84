"""One mistake in an invented day: where it is, how large, and what a finding must touch.

A mistake has a size in m at the target; the angle it is follows from the distance. The day is
otherwise the same draw.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.bench.days import Day, Row
from tests.bench.grounds import FloatArray, Rng
from tests.bench.jobfolders import lines_of
from tieup.model.finding import Finding

KINDS = ("pole", "instrument", "sight", "reading", "mark", "control")
READINGS = ("direction", "zenith", "distance")
AXES = np.eye(3)
SIGHT_KINDS = frozenset(
    {"visit", "direction", "zenith", "distance", "target-height"}
    | {"point-name", "backsight", "mark-moved"}
)


@dataclass(frozen=True)
class Spoil:
    """One mistake without its size.

    ``rows`` are those it is in, ``component`` is N, E, H or direction, zenith, distance. ``bay``
    is the setup, for a moved mark the first that finds it elsewhere, -1 for control.
    """

    kind: str
    bay: int
    point: str
    rows: tuple[int, ...]
    component: int

    @property
    def name(self) -> str:
        """Return what it is called in a count."""
        return READINGS[self.component] if self.kind == "reading" else self.kind

    @property
    def right_kinds(self) -> frozenset[str]:
        """Return the kinds of finding that name it rightly."""
        return {
            "pole": frozenset({"target-height"}),
            "instrument": frozenset({"instrument-height"}),
            "sight": SIGHT_KINDS,
            "reading": frozenset({READINGS[self.component]}),
            "mark": frozenset({"mark-moved"}),
            "control": frozenset({"control-coordinate"}),
        }[self.kind]


def possible(day: Day, kinds: tuple[str, ...] = KINDS) -> tuple[str, ...]:
    """Return the kinds of mistake that a day can have; without control none of it is wrong."""
    able = {
        "instrument": any(bay.station for bay in day.ground.bays),
        "control": bool(day.control),
    }
    return tuple(kind for kind in kinds if able.get(kind, True))


def draw_spoil(rng: Rng, day: Day, kinds: tuple[str, ...] = KINDS) -> Spoil:
    """Draw a mistake of one of the kinds that are possible, every kind as often."""
    able = possible(day, kinds)
    return _DRAW[able[int(rng.integers(len(able)))]](rng, day)


def draw_size(rng: Rng, low: float, high: float, log: bool = False) -> float:
    """Draw a size (m) of either sign, even or log-even between two sizes."""
    if log:
        size = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    else:
        size = float(rng.uniform(low, high))
    return size if rng.random() < 0.5 else -size


def _row(rng: Rng, day: Day) -> int:
    return int(rng.choice(day.shared()))


def _visit(day: Day, row: int) -> tuple[int, ...]:
    visit = day.rows[row].visit
    return tuple(k for k, other in enumerate(day.rows) if other.visit == visit)


def _pole(rng: Rng, day: Day) -> Spoil:
    row = _row(rng, day)
    return Spoil("pole", day.rows[row].bay, day.rows[row].point, _visit(day, row), 2)


def _sight(rng: Rng, day: Day) -> Spoil:
    return replace(_pole(rng, day), kind="sight", component=int(rng.integers(3)))


def _reading(rng: Rng, day: Day) -> Spoil:
    row = _row(rng, day)
    return Spoil("reading", day.rows[row].bay, day.rows[row].point, (row,), int(rng.integers(3)))


def _instrument(rng: Rng, day: Day) -> Spoil:
    over = [k for k, bay in enumerate(day.ground.bays) if bay.station]
    bay = int(rng.choice(over))
    rows = tuple(k for k, row in enumerate(day.rows) if row.bay == bay)
    return Spoil("instrument", bay, day.ground.bays[bay].station, rows, 2)


def _mark(rng: Rng, day: Day) -> Spoil:
    point = str(rng.choice(day.ground.marks))
    bays = day.ground.bays
    seen = [k for k, bay in enumerate(bays) if point in (*bay.marks, bay.station)]
    first = int(rng.choice(seen[1:]))
    rows = tuple(k for k, row in enumerate(day.rows) if row.point == point)
    return Spoil("mark", first, point, rows, int(rng.integers(3)))


def _control(rng: Rng, day: Day) -> Spoil:
    point = str(rng.choice(sorted(day.control)))
    rows = tuple(k for k, row in enumerate(day.rows) if row.point == point)
    return Spoil("control", -1, point, rows, int(rng.integers(3)))


_DRAW = {
    "pole": _pole,
    "sight": _sight,
    "reading": _reading,
    "instrument": _instrument,
    "mark": _mark,
    "control": _control,
}


def spoiled(day: Day, spoil: Spoil, size: float) -> Day:
    """Return the day with the mistake of ``size`` m in it."""
    shift = size * AXES[spoil.component]
    if spoil.kind == "control":
        wrong = day.control[spoil.point] + shift
        return replace(day, control={**day.control, spoil.point: wrong})
    if spoil.kind == "mark":
        return replace(day, moved={spoil.point: (spoil.bay, shift)})
    if spoil.kind == "instrument":
        booked = tuple(up + size * (k == spoil.bay) for k, up in enumerate(day.booked))
        return replace(day, booked=booked)
    rows = list(day.rows)
    for k in spoil.rows:
        rows[k] = _spoiled_row(day, rows[k], spoil, shift)
    return replace(day, rows=tuple(rows))


def _spoiled_row(day: Day, row: Row, spoil: Spoil, shift: FloatArray) -> Row:
    if spoil.kind == "pole":
        return replace(row, booked=row.booked + shift[2])
    if spoil.kind == "sight":
        return replace(row, target=row.target + shift)
    return replace(row, pointing=row.pointing + shift / lever(day, row))


def lever(day: Day, row: Row) -> FloatArray:
    """Return the metres at the target for one unit of direction, zenith, distance."""
    line = day.ground.places[row.point] - day.ground.bays[row.bay].axis
    return np.array([np.hypot(line[0], line[1]), np.linalg.norm(line), 1.0])


def touches(found: Finding, day: Day, spoil: Spoil) -> bool:
    """Say whether a finding is about the mistake: its raw lines, or its setup and points."""
    lines = lines_of(day)
    if {f"{lines[k][0]}:{lines[k][1]}" for k in spoil.rows} & set(found.lines):
        return True
    label = day.ground.bays[spoil.bay].label if spoil.bay >= 0 else ""
    if found.setup and label and found.setup != label and spoil.kind != "mark":
        return False
    if found.points:
        return spoil.point in found.points
    return bool(label) and found.setup == label


def noticed(found: Finding, day: Day, spoil: Spoil) -> bool:
    """Say whether a finding, or a rival that it cannot be told from, is about the mistake."""
    return touches(found, day, spoil) or any(
        not rival.separable and _named(rival.setup, rival.points, day, spoil)
        for rival in found.rivals
    )


def rightly_named(found: Finding, day: Day, spoil: Spoil) -> bool:
    """Say whether kind and place are right, in the finding or a rival it cannot be told from."""
    if found.kind in spoil.right_kinds and touches(found, day, spoil):
        return True
    return any(
        rival.kind in spoil.right_kinds
        and not rival.separable
        and _named(rival.setup, rival.points, day, spoil)
        for rival in found.rivals
    )


def _named(setup: str, points: tuple[str, ...], day: Day, spoil: Spoil) -> bool:
    label = day.ground.bays[spoil.bay].label if spoil.bay >= 0 else ""
    if setup and label and setup != label and spoil.kind != "mark":
        return False
    return spoil.point in points if points else bool(setup) and setup == label
