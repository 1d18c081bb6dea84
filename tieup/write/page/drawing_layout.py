"""Where things stand on the plan: north up, east to the right, as units of the drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray

WIDTH = 1000.0  # of the drawing, in its own units
MARGIN = 55.0
FLATTEST, TALLEST = 0.55, 1.15  # height of the drawing over its width
LIMIT_DRAWN = 22.0  # about how long a difference as large as its limit is drawn
LONGEST = 150.0  # a difference is cut short here
EDGE = 14.0  # and so far from the edge of the drawing
BAR = 0.2  # about this part of the width is the scale bar


@dataclass(frozen=True)
class DrawingLayout:
    """How a site is laid on the drawing.

    ``north`` and ``west`` are coordinates of the upper left corner, ``scale`` drawing units
    in one length unit of the job, ``height`` that of the drawing. ``exaggeration`` is how
    many times larger than the site differences and ellipses are drawn.
    """

    north: float
    west: float
    scale: float
    height: float
    exaggeration: float

    def x(self, easting: FloatArray) -> FloatArray:
        """Return drawing units from the left edge."""
        return (easting - self.west) * self.scale

    def y(self, northing: FloatArray) -> FloatArray:
        """Return drawing units from the upper edge."""
        return (self.north - northing) * self.scale

    def drawn(self, difference: FloatArray) -> FloatArray:
        """Return how long differences are drawn, in drawing units."""
        return difference * self.scale * self.exaggeration

    def shown(self, x: float, y: float, right: float, down: float) -> float:
        """Return how much of a difference drawn from (x, y) is shown, 1 for all of it.

        It is cut short at `LONGEST`, and where it would leave the drawing.
        """
        size = math.hypot(right, down)
        part = min(1.0, LONGEST / size) if size > 0 else 1.0
        for at, step, end in ((x, right, WIDTH), (y, down, self.height)):
            room = end - EDGE - at if step > 0 else at - EDGE
            if abs(step) * part > max(room, EDGE):
                part = max(room, EDGE) / abs(step)
        return part

    @property
    def bar(self) -> float:
        """Return the length of the scale bar in the job's unit: 1, 2 or 5 of a decade."""
        return round_number(BAR * WIDTH / self.scale)


def frame_of(northing: FloatArray, easting: FloatArray, limit: float) -> DrawingLayout | None:
    """Lay places (n,) on the drawing; None where none of them is known.

    ``limit`` is what a tie may differ in plan; it settles the exaggeration.
    """
    known = np.isfinite(northing) & np.isfinite(easting)
    if not known.any():
        return None
    north, south = float(northing[known].max()), float(northing[known].min())
    east, west = float(easting[known].max()), float(easting[known].min())
    tall, wide = max(north - south, 1.0), max(east - west, 1.0)
    ratio = min(max(tall / wide, FLATTEST), TALLEST)
    height = ratio * WIDTH
    scale = min((WIDTH - 2 * MARGIN) / wide, (height - 2 * MARGIN) / tall)
    return DrawingLayout(
        north=(north + south) / 2 + height / scale / 2,
        west=(east + west) / 2 - WIDTH / scale / 2,
        scale=scale,
        height=height,
        exaggeration=round_number(LIMIT_DRAWN / (limit * scale)) if limit > 0 else 1000.0,
    )


def round_number(value: float) -> float:
    """Return the nearest of 1, 2 and 5 of a decade.

    >>> round_number(790.0), round_number(0.3)
    (1000.0, 0.2)
    """
    decade = 10.0 ** math.floor(math.log10(value))
    steps = (1.0, 2.0, 5.0, 10.0)
    nearest = min(steps, key=lambda step: abs(math.log(value / decade / step)))
    return round(nearest * decade, 12)
