"""The points that lines and falls are made of: marks of the site, then what was derived of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.derive.placed import PlacedPoint, place_of_mark
from tieup.model.arrays import FloatArray


@dataclass(frozen=True)
class Places:
    """All points by number: ``names`` and ``position`` (n, 3) m, NaN where not determined.

    The first ``marks`` of them are those of the adjustment, in whose frame all are; the others
    are ``derived``.
    """

    adjustment: Adjustment
    names: tuple[str, ...]
    position: FloatArray
    derived: tuple[PlacedPoint, ...] = ()

    @property
    def marks(self) -> int:
        """Return how many of the points are marks."""
        return len(self.names) - len(self.derived)

    def placed(self, number: int) -> PlacedPoint:
        """Return a point with what it comes from."""
        if number < self.marks:
            return place_of_mark(self.names[number], number, self.position[number])
        return self.derived[number - self.marks]

    def marks_of(self, number: int) -> tuple[int, ...]:
        """Return the marks that a point comes from, itself where it is one."""
        return (number,) if number < self.marks else self.derived[number - self.marks].marks

    def with_derived(self, points: Sequence[PlacedPoint]) -> Places:
        """Return the same marks with derived points behind them."""
        own = np.array([point.position for point in points]).reshape(-1, 3)
        return Places(
            self.adjustment,
            (*self.names[: self.marks], *(point.name for point in points)),
            np.concatenate([self.position[: self.marks], own]),
            tuple(points),
        )


def between(name: str, start: PlacedPoint, end: PlacedPoint, share: float) -> PlacedPoint:
    """Return the point at ``share`` of the way from ``start`` to ``end``.

    The share counts as known. Where it is that of a perpendicular foot, its own error only moves
    the foot along the leg: a few hundredths of a millimetre in height on a slope of 2 %.
    """
    parts = (1.0 - share, start), (share, end)
    return PlacedPoint(
        name,
        (1.0 - share) * start.position + share * end.position,
        (*start.marks, *end.marks),
        np.concatenate([weight * point.jacobian for weight, point in parts], axis=1),
        np.asarray(sum(weight**2 * point.own for weight, point in parts)),
        (start.name, end.name),
    )
