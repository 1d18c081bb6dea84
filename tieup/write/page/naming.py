"""The texts on the plan, the most important first, and the symbols that they must not cover."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tieup.model.reconciliation import Reconciliation
from tieup.write.page.disputed_view import StoryPlace
from tieup.write.page.drawing_labels import Box, Label, box_around, placed
from tieup.write.page.drawing_layout import WIDTH
from tieup.write.page.drawing_points import DrawingPoints
from tieup.write.page.page_table import texts
from tieup.write.page.symbols import Shift, Symbol
from tieup.write.page.wording import BAD, GOOD

# How far a symbol reaches, in pixels.
REACHES = {"setup": 10.0, "control": 7.0, "tie": 6.0, "derived": 6.0, "joint": 8.0}
WARNING, WARNING_REACH = 13.0, 8.0  # the verdict beside a setup: how far off, and its reach

# Who chooses a place first.
DISPUTED, ODD_SETUP, ODD_JOINT, SETUP, ODD_MARK, ODD_TIE = range(6)
MARKS = {"control": 6, "tie": 7, "derived": 8}
JOINT = 9


def labels_of(
    site: Reconciliation,
    places: DrawingPoints,
    marks: Sequence[Symbol],
    setups: Sequence[Symbol],
    joints: Sequence[Symbol],
    shifts: Sequence[Shift],
    stories: Sequence[StoryPlace],
) -> tuple[Label, ...]:
    """Return every text on the plan with its place, in the order in which they choose it."""
    labels = [
        *_setup_labels(setups),
        *_mark_labels(site, marks),
        *_joint_labels(joints),
        *_shift_labels(shifts),
        *(
            Label(
                story.x,
                story.y,
                story.name,
                "disputed",
                "from",
                DISPUTED,
                reach=6.0,
                beside=story.beside,
                firm=True,
            )
            for story in stories
        ),
    ]
    boxes = [*_boxes(marks), *_boxes(setups), *_boxes(joints)]
    return placed(labels, boxes, WIDTH, places.frame.height)


def _setup_labels(setups: Sequence[Symbol]) -> Iterator[Label]:
    for setup in setups:
        rank = SETUP if setup.shape == GOOD else ODD_SETUP
        yield Label(
            setup.x, setup.y, setup.name, "setups", "setup", rank, 16.0, REACHES["setup"], firm=True
        )


def _mark_labels(site: Reconciliation, marks: Sequence[Symbol]) -> Iterator[Label]:
    """Return the names of marks; of those that do not tie before the others."""
    pairs = zip(texts(site.ties, "point"), texts(site.ties, "verdict"), strict=True)
    odd = {point for point, verdict in pairs if verdict == "fails"}
    for mark in marks:
        rank = ODD_MARK if mark.name in odd else MARKS[mark.look]
        yield Label(mark.x, mark.y, mark.name, "names", "name", rank, reach=REACHES[mark.look])


def _joint_labels(joints: Sequence[Symbol]) -> Iterator[Label]:
    for joint in joints:
        rank = JOINT if joint.shape == GOOD else ODD_JOINT
        yield Label(joint.x, joint.y, joint.name, "joints", "step", rank, 12.0, REACHES["joint"])


def _shift_labels(shifts: Sequence[Shift]) -> Iterator[Label]:
    """Return the setups that put a mark elsewhere, at the heads of what does not tie."""
    for shift in shifts:
        if shift.shape == BAD and shift.whole:
            yield Label(shift.x2, shift.y2, shift.setup, "shifts", "from", ODD_TIE, reach=5.0)


def _boxes(symbols: Sequence[Symbol]) -> Iterator[Box]:
    for symbol in symbols:
        yield box_around(symbol.x, symbol.y, REACHES[symbol.look])
        if symbol.look == "setup" and symbol.shape != GOOD:
            yield box_around(symbol.x - WARNING, symbol.y - WARNING, WARNING_REACH)
