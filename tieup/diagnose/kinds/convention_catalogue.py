"""Conventions that a whole setup's numbers may follow instead of the one the job states.

Each is the change that would turn the readings right. Nothing here decides whether a setup
has it: see `tieup.diagnose.first_solution.conventions`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.single_setup_fit import SetupReadings
from tieup.geometry import TWO_PI, wrap_full
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH

FOOT = 0.3048  # m, the international foot, by definition
ALL = (DIRECTION, ZENITH, DISTANCE)


@dataclass(frozen=True)
class Convention:
    """One way to mistake all numbers of a setup.

    ``name`` says what was taken for what, ``right`` what the numbers are. ``kinds`` are the
    components that the mistake contaminates, ``change`` turns them right. ``factor`` is right
    over raw of all lengths that it scales, ``heights`` whether pole and instrument heights
    are among them. ``opposite`` names the convention that the only other setup would have if
    this one were right.
    """

    kind: str
    name: str
    right: str
    kinds: tuple[int, ...]
    change: Callable[[SetupReadings], SetupReadings]
    factor: float = 1.0
    heights: bool = False
    opposite: str = ""


def _unchanged(readings: SetupReadings) -> SetupReadings:
    return readings


def _scaled(factor: float, heights: bool) -> Callable[[SetupReadings], SetupReadings]:
    def change(readings: SetupReadings) -> SetupReadings:
        poles = readings.target_height * (factor if heights else 1.0)
        return replace(readings, distance=readings.distance * factor, target_height=poles)

    return change


def _mirrored(readings: SetupReadings) -> SetupReadings:
    return replace(readings, direction=wrap_full(-readings.direction))


def _circles(
    convert: Callable[[FloatArray], FloatArray],
) -> Callable[[SetupReadings], SetupReadings]:
    def change(readings: SetupReadings) -> SetupReadings:
        return replace(
            readings,
            direction=wrap_full(convert(readings.direction)),
            zenith=wrap_full(convert(readings.zenith)),
        )

    return change


def unpacked(angle: FloatArray) -> FloatArray:
    """Read decimal degrees (given in rad) as DDD.MMSSs.

    >>> round(float(np.degrees(unpacked(np.radians(12.3030)))), 6)
    12.508333
    """
    degrees = np.degrees(angle)
    whole = np.floor(degrees + 1e-9)
    digits = (degrees - whole) * 100.0
    minutes = np.floor(digits + 1e-7)
    seconds = (digits - minutes) * 100.0
    return np.asarray(np.radians(whole + minutes / 60.0 + seconds / 3600.0))


def packed(angle: FloatArray) -> FloatArray:
    """Read the digits of DDD.MMSSs as decimal degrees: the inverse of `unpacked`."""
    degrees = np.degrees(angle)
    whole = np.floor(degrees + 1e-9)
    digits = (degrees - whole) * 60.0
    minutes = np.floor(digits + 1e-7)
    seconds = (digits - minutes) * 60.0
    return np.asarray(np.radians(whole + minutes / 100.0 + seconds / 10_000.0))


def _elevation(readings: SetupReadings) -> SetupReadings:
    return replace(readings, zenith=wrap_full(TWO_PI / 4.0 - readings.zenith))


def _turned_over(readings: SetupReadings) -> SetupReadings:
    return replace(readings, zenith=wrap_full(TWO_PI / 2.0 - readings.zenith))


AS_STATED = Convention("", "", "", (), _unchanged)
FEET, METRES = "feet read as metres", "metres read as feet"
POLES = ", pole heights too"
ANTICLOCKWISE, OVER = "circle read anticlockwise", "vertical angles with the sign turned"
_LIST = (
    Convention(
        "distance-unit", FEET, "feet", (DISTANCE,), _scaled(FOOT, False), FOOT, opposite=METRES
    ),
    Convention(
        "distance-unit",
        FEET + POLES,
        "feet",
        (ZENITH, DISTANCE),
        _scaled(FOOT, True),
        FOOT,
        heights=True,
        opposite=METRES + POLES,
    ),
    Convention(
        "distance-unit",
        METRES,
        "metres",
        (DISTANCE,),
        _scaled(1 / FOOT, False),
        1 / FOOT,
        opposite=FEET,
    ),
    Convention(
        "distance-unit",
        METRES + POLES,
        "metres",
        (ZENITH, DISTANCE),
        _scaled(1 / FOOT, True),
        1 / FOOT,
        heights=True,
        opposite=FEET + POLES,
    ),
    Convention(
        "mirrored-circle",
        ANTICLOCKWISE,
        "a circle that counts anticlockwise",
        ALL,
        _mirrored,
        opposite=ANTICLOCKWISE,
    ),
    Convention(
        "angle-unit", "DDD.MMSS read as decimal degrees", "DDD.MMSS", ALL, _circles(unpacked)
    ),
    Convention(
        "angle-unit", "decimal degrees read as DDD.MMSS", "decimal degrees", ALL, _circles(packed)
    ),
    Convention("angle-unit", "gon read as degrees", "gon", ALL, _circles(lambda a: 0.9 * a)),
    Convention(
        "angle-unit", "degrees read as gon", "decimal degrees", ALL, _circles(lambda a: a / 0.9)
    ),
    Convention(
        "vertical-angle-kind",
        "elevation and zenith angles taken for each other",
        "the other kind of vertical angle",
        ALL,
        _elevation,
    ),
    Convention(
        "vertical-angle-kind",
        OVER,
        "vertical angles of the other sign",
        ALL,
        _turned_over,
        opposite=OVER,
    ),
)
CONVENTIONS: Mapping[str, tuple[Convention, ...]] = {
    kind: tuple(c for c in _LIST if c.kind == kind) for kind in dict.fromkeys(c.kind for c in _LIST)
}
"""The conventions by kind of mistake."""


def convention_of(mistake: Mistake) -> Convention:
    """Return the convention that a mistake names."""
    return next(c for c in CONVENTIONS[mistake.kind] if c.name == mistake.detail)


def every_convention() -> tuple[Convention, ...]:
    """Return all conventions of readings."""
    return _LIST


def with_convention(case: Case, rows: IntArray, convention: Convention) -> Case:
    """Return the case with the readings of ``rows`` turned right."""
    shots = case.shots
    before = SetupReadings(
        shots.direction[rows], shots.zenith[rows], shots.distance[rows], shots.target_height[rows]
    )
    after = convention.change(before)
    shots = replace(
        shots,
        direction=_put(shots.direction, rows, after.direction),
        zenith=_put(shots.zenith, rows, after.zenith),
        distance=_put(shots.distance, rows, after.distance),
        target_height=_put(shots.target_height, rows, after.target_height),
    )
    case = replace(case, shots=shots)
    if convention.heights:
        for number in np.unique(shots.setup[rows]).tolist():
            old = case.setups[number]
            height = old.instrument_height * convention.factor
            case = case.with_setup(number, replace(old, instrument_height=height))
    return case


def _put(column: FloatArray, rows: IntArray, values: FloatArray) -> FloatArray:
    column = column.copy()
    column[rows] = values
    return column
