"""What job.yaml asks to be worked out of adjusted marks: points and strings. SI and radians."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True)
class Polar:
    """A point by ``bearing`` (rad, clockwise from north) and horizontal ``distance`` (m).

    ``grade`` is rise over distance; None takes the elevation of ``origin``. ``line`` is that of
    the entry in job.yaml, here and below.
    """

    name: str
    line: int
    origin: str
    bearing: float
    distance: float
    grade: float | None = None


@dataclass(frozen=True)
class Crossing:
    """The point where two lines cross in plan; the first one carries its elevation."""

    name: str
    line: int
    first: tuple[str, str]
    second: tuple[str, str]


@dataclass(frozen=True)
class Mean:
    """The mean of points, all of one weight."""

    name: str
    line: int
    of: tuple[str, ...]


@dataclass(frozen=True)
class Typed:
    """A point with an ``elevation`` (m) that a person typed: who, and why."""

    name: str
    line: int
    origin: str
    elevation: float
    by: str
    reason: str


@dataclass(frozen=True)
class OffsetString:
    """String ``of`` moved aside by ``distance`` (m), positive to the right of its direction.

    ``grade`` is the rise away from the string over the distance.
    """

    name: str
    line: int
    of: str
    distance: float
    grade: float = 0.0


@dataclass(frozen=True)
class ProjectedString:
    """Every point of string ``of`` at its perpendicular foot on string ``onto``.

    ``fall`` is the drop from the point to its foot over the horizontal distance.
    """

    name: str
    line: int
    of: str
    onto: str
    fall: float


Derived: TypeAlias = Polar | Crossing | Mean | Typed | OffsetString | ProjectedString
DerivedString: TypeAlias = OffsetString | ProjectedString
