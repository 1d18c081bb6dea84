"""Where the names on the plan stand: no name over another, the less important ones left out.

Each label tries the spots around its symbol in turn and takes the first that is free; one that
finds none is not drawn. The more important labels choose first, so that the same site always gives
the same plan. What is placed here is the plan as it stands in the page, for paper and for readers
that run no script; the script places the same labels by the same rule for every zoom.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray

# Left edge and upper edge of a label from the middle of its symbol: in reaches of the symbol, and
# in widths and heights of the label. Clockwise from above on the right, as names on a map stand.
SPOTS = (
    (0.7, 0.0, -0.7, -1.0),
    (1.2, 0.0, 0.0, -0.5),
    (0.7, 0.0, 0.7, 0.0),
    (0.0, -0.5, 1.0, 0.0),
    (-0.7, -1.0, 0.7, 0.0),
    (-1.2, -1.0, 0.0, -0.5),
    (-0.7, -1.0, -0.7, -1.0),
    (0.0, -0.5, -1.0, -1.0),
)
LINE, ASCENT = 1.25, 0.97  # height of a label and of its letters above the line, in font sizes
GAP = 2.0  # between a label and what stands beside it
NARROW, BROAD = 0.72, 1.15  # about the widest letter of bold type, in font sizes

Box = tuple[float, float, float, float]  # left, top, right, bottom


@dataclass(frozen=True)
class Label:
    """A text beside a symbol that reaches ``reach`` around (x, y); ``size`` is that of the font.

    ``layer`` is the part of the plan that it is switched with, ``look`` how it is set, ``rank`` how
    early it chooses its place; its symbol stands ``beside`` (x, y) by so many pixels. A ``firm``
    one covers a symbol rather than being left out. ``at`` is where it starts, from its symbol;
    None where it has no room.
    """

    x: float
    y: float
    text: str
    layer: str
    look: str
    rank: int
    size: float = 13.0
    reach: float = 8.0
    beside: int = 0
    firm: bool = False
    at: tuple[float, float] | None = None


def placed(
    labels: Sequence[Label], symbols: Sequence[Box], width: float, height: float
) -> tuple[Label, ...]:
    """Return the labels in the order in which they choose, each with its place.

    ``symbols`` are boxes that no label may cover, ``width`` and ``height`` those of the drawing.
    """
    taken, count, covered = np.zeros((len(labels), 4)), 0, np.array(symbols).reshape(-1, 4)
    result = []
    for label in sorted(labels, key=lambda label: label.rank):
        x, long = label.x + label.beside, label_width(label.text, label.size)
        inside = [box for box in _boxes(label, x, long) if _within(box, width, height)]
        free = [box for box in inside if not _hit(box, taken[:count]).any()]
        others = ~_holding(covered, x, label.y)
        clear = (box for box in free if not (others & _hit(box, covered)).any())
        best = [*islice(clear, 1)] or (free if label.firm else [])
        if best:
            taken[count], count = best[0], count + 1
            left, top = best[0][0] + GAP, best[0][1] + ASCENT * label.size
            label = replace(label, at=(round(left - x, 1), round(top - label.y, 1)))
        result.append(label)
    return tuple(result)


def label_width(text: str, size: float) -> float:
    """Return about how wide a text is in bold type, rather too wide than too narrow."""
    broad = sum(letter in "MW@%" or unicodedata.east_asian_width(letter) in "WF" for letter in text)
    return size * (NARROW * (len(text) - broad) + BROAD * broad)


def box_around(x: float, y: float, reach: float) -> Box:
    """Return the box of a symbol."""
    return (x - reach, y - reach, x + reach, y + reach)


def _boxes(label: Label, x: float, long: float) -> Iterator[Box]:
    """Give the boxes that a label may take, the best first."""
    high, reach = LINE * label.size, label.reach
    for a, b, c, d in SPOTS:
        left, top = x + a * reach + b * long, label.y + c * reach + d * high
        yield left - GAP, top, left + long + GAP, top + high


def _within(box: Box, width: float, height: float) -> bool:
    return box[0] >= 0 and box[1] >= 0 and box[2] <= width and box[3] <= height


def _holding(boxes: FloatArray, x: float, y: float) -> BoolArray:
    """Say which of ``boxes`` (n, 4) hold a place."""
    left, top, right, bottom = boxes.T
    return np.asarray((left <= x) & (x <= right) & (top <= y) & (y <= bottom))


def _hit(box: Box, others: FloatArray) -> BoolArray:
    """Say which of ``others`` (n, 4) a box overlaps."""
    left, top, right, bottom = others.T
    return np.asarray((box[0] < right) & (left < box[2]) & (box[1] < bottom) & (top < box[3]))
