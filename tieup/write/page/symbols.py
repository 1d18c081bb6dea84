"""What stands on the plan with a shape of its own: marks, setups, ellipses, differences."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import FloatArray
from tieup.model.reconciliation import Reconciliation, Table
from tieup.units import angle_factor, parse_angles
from tieup.write.page.drawing_layout import LONGEST
from tieup.write.page.drawing_points import RANK, DrawingPoints, drawn_roles
from tieup.write.page.page_table import numbers, texts
from tieup.write.page.wording import stand_words, verdict_of
from tieup.write.tie_words import tie_words

MOST_MARKS, MOST_SHIFTS = 400, 600
SMALLEST_OVAL, SMALLEST_DRAWN, SMALLEST_HEAD = 0.5, 3.0, 9.0  # drawing units
BESIDE = 6  # pixels between the height bars of one mark


@dataclass(frozen=True)
class Symbol:
    """A mark, setup or joint: ``look`` picks its shape, ``shape`` is that of its verdict."""

    x: float
    y: float
    name: str
    look: str
    shape: str
    says: str


@dataclass(frozen=True)
class Oval:
    """An error ellipse: half axes in drawing units, turned clockwise by ``turn`` degrees."""

    x: float
    y: float
    major: float
    minor: float
    turn: float


@dataclass(frozen=True)
class Shift:
    """A difference: from a mark to (x2, y2), the head turned by ``turn`` degrees.

    ``cut`` is True where it is too long to be drawn whole; ``beside`` moves it sideways by
    so many pixels. ``whole`` is False where it is too short for a head of its own.
    """

    x: float
    y: float
    x2: float
    y2: float
    turn: float
    shape: str
    cut: bool
    setup: str
    says: str
    beside: int = 0
    whole: bool = True


def mark_symbols(site: Reconciliation, places: DrawingPoints) -> Iterator[Symbol]:
    """Return the control points, ties and occupied marks that are shown.

    A mark whose only other sight was left out is no tie any more, but it has a line in the ties.
    """
    table, tied = site.coordinates, set(texts(site.ties, "point"))
    names, proofs = (texts(table, name, places.rows) for name in ("point", "proof"))
    roles = drawn_roles(table, places.rows)
    for number, (name, role, proof) in enumerate(zip(names, roles, proofs, strict=True)):
        if (role in RANK or name in tied) and name not in places.setups:
            yield Symbol(
                x=round(float(places.x[number]), 2),
                y=round(float(places.y[number]), 2),
                name=name,
                look=role if role in ("control", "derived") else "tie",
                shape=proof,
                says=f"{name}: {role}, {proof}",
            )


def setup_symbols(site: Reconciliation, places: DrawingPoints) -> Iterator[Symbol]:
    """Return the setups that are shown, with their verdicts."""
    verdicts, stations = texts(site.setups, "verdict"), texts(site.setups, "station")
    for name, number in places.setups.items():
        verdict = verdict_of(verdicts[number])
        if math.isfinite(places.setup_x[number]):
            yield Symbol(
                x=round(float(places.setup_x[number]), 2),
                y=round(float(places.setup_y[number]), 2),
                name=name,
                look="setup",
                shape=verdict.shape,
                says=f"setup {name}, {stand_words(stations[number])}: {verdict.word}",
            )


def joint_symbols(site: Reconciliation, places: DrawingPoints) -> Iterator[Symbol]:
    """Return the change-overs of strings that have a place, with the steps beside them."""
    joints = site.joints
    lengths = Lengths(site.job.length_unit)
    x = places.frame.x(numbers(joints, "easting"))
    y = places.frame.y(numbers(joints, "northing"))
    columns = [texts(joints, column) for column in ("string", "first", "second", "verdict")]
    rise, plan = numbers(joints, "d_elevation"), numbers(joints, "d_horizontal")
    for row, (string, first, second, word) in enumerate(zip(*columns, strict=True)):
        if math.isfinite(x[row]) and math.isfinite(y[row]):
            verdict, step = verdict_of(word), lengths.said(float(rise[row]))
            yield Symbol(
                x=round(float(x[row]), 2),
                y=round(float(y[row]), 2),
                name=f"step {step}" if step else "step not known",
                look="joint",
                shape=verdict.shape,
                says=f"joint {string} {first} to {second}: height {step or 'not known'}, plan "
                f"{lengths.said(float(plan[row])) or 'not known'}: {verdict.word}",
            )


def ovals(site: Reconciliation, places: DrawingPoints) -> Iterator[Oval]:
    """Return the error ellipses of marks and stations that are shown."""
    table, frame = site.coordinates, places.frame
    roles = drawn_roles(table, places.rows)
    chosen = [number for number, role in enumerate(roles) if role in RANK][:MOST_MARKS]
    rows = places.rows[chosen]
    major = frame.drawn(numbers(table, "ellipse_major")[rows])
    minor = frame.drawn(numbers(table, "ellipse_minor")[rows])
    azimuth = np.degrees(_radians(np.asarray(table["ellipse_azimuth"])[rows], site))
    for number, a, b, turn in zip(chosen, major, minor, azimuth, strict=True):
        if SMALLEST_OVAL < a <= LONGEST and math.isfinite(turn):
            x, y = round(float(places.x[number]), 2), round(float(places.y[number]), 2)
            yield Oval(x, y, round(float(a), 1), round(float(b), 1), round(float(turn) - 90.0, 1))


def _radians(column: FloatArray, site: Reconciliation) -> FloatArray:
    """Return a column of angles of a results table in radians."""
    unit = site.job.angle_unit
    if column.dtype.kind == "f":
        return np.asarray(column * angle_factor(unit))
    return parse_angles([str(text or "") for text in column.tolist()], unit)[0]


def plan_shifts(site: Reconciliation, places: DrawingPoints) -> Iterator[Shift]:
    """Return where each setup alone puts the marks in plan, from where the others do."""
    ties, frame = site.ties, places.frame
    right = frame.drawn(numbers(ties, "d_easting"))
    down = -frame.drawn(numbers(ties, "d_northing"))
    for row, number, setup, shape in _shown_ties(ties, places):
        size = math.hypot(right[row], down[row])
        if SMALLEST_DRAWN < size < math.inf:
            x, y = float(places.x[number]), float(places.y[number])
            part = frame.shown(x, y, float(right[row]), float(down[row]))
            yield Shift(
                x=round(x, 2),
                y=round(y, 2),
                x2=round(x + float(right[row]) * part, 2),
                y2=round(y + float(down[row]) * part, 2),
                turn=round(math.degrees(math.atan2(down[row], right[row])), 1),
                shape=shape,
                cut=part < 1.0,
                setup=setup,
                says=tie_words(site, row),
                whole=size > SMALLEST_HEAD,
            )


def height_shifts(site: Reconciliation, places: DrawingPoints) -> Iterator[Shift]:
    """Return how high or low each setup alone puts the marks, as upright bars."""
    ties = site.ties
    up = places.frame.drawn(numbers(ties, "d_elevation"))
    before: dict[int, int] = {}
    for row, number, setup, shape in _shown_ties(ties, places):
        if SMALLEST_DRAWN < abs(up[row]) < math.inf:
            before[number] = before.get(number, 0) + 1
            x, y = round(float(places.x[number]), 2), float(places.y[number])
            part = places.frame.shown(x, y, 0.0, -float(up[row]))
            length = float(up[row]) * part
            yield Shift(
                x=x,
                y=round(y, 2),
                x2=x,
                y2=round(y - length, 2),
                turn=-90.0 if length > 0 else 90.0,
                shape=shape,
                cut=part < 1.0,
                setup=setup,
                says=tie_words(site, row),
                beside=BESIDE * before[number],
                whole=abs(up[row]) > SMALLEST_HEAD,
            )


def _shown_ties(ties: Table, places: DrawingPoints) -> Iterator[tuple[int, int, str, str]]:
    """Return row, number of the point, setup and shape of the verdict of ties to be drawn."""
    columns = [texts(ties, column) for column in ("point", "setup", "verdict")]
    rows = list(enumerate(zip(*columns, strict=True)))
    rows.sort(key=lambda entry: entry[1][2] != "fails")
    drawn = 0
    for row, (point, setup, word) in rows:
        if drawn == MOST_SHIFTS:
            break
        number = places.point(point, setup)
        if number >= 0:
            drawn += 1
            yield row, number, setup, verdict_of(word).shape
