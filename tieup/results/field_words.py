"""What a setup's stored coordinates come to, in the surveyor's words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tieup.derive.stored_coordinates import MOVED, SAME, StoredFrame, compass
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.row_lines import some
from tieup.model.arrays import IntArray
from tieup.model.settings import Tolerances
from tieup.sentences import counted


@dataclass(frozen=True)
class SetupStory:
    """One setup's stored coordinates.

    ``rows`` are its raw rows that stored some; ``points`` and ``moved`` count points, all and
    moved ones, ``stray`` names those that moved on their own. ``verdict`` is of the frame, which
    puts ``far_point`` off most, by ``far`` (m) in plan. ``staked`` counts points whose rows say
    that they were staked out; ``first`` is the first of those, or of all, at ``clock``.
    """

    setup: str
    frame: StoredFrame
    verdict: str
    rows: IntArray
    points: int
    moved: int
    stray: tuple[str, ...]
    far: float
    far_point: str
    staked: int
    first: str
    clock: str
    as_a_whole: bool

    @property
    def size(self) -> float:
        """Return what the frame puts off most, in m: plan, or height with its sign."""
        height = float(self.frame.shift[2])
        plan = self.far if np.isfinite(self.far) else 0.0
        return height if abs(np.nan_to_num(height)) > plan else plan


def setup_words(story: SetupStory, limits: Tolerances, phrases: Phrases) -> str:
    """Say where a setup stored its points, how many, and what was staked out by them."""
    if story.verdict != MOVED:
        return _stray_words(story)
    parts = [*_parts(story, limits, phrases)]
    against = " against the others" if story.as_a_whole else ""
    touched = (
        f"{counted(story.staked, 'stake-out')} from it"
        if story.staked
        else f"{counted(story.points, 'point')}, no row says stake-out"
    )
    first = f"{story.first} {story.clock}".strip()
    return (
        f"{story.setup} stored its points {' and '.join(parts)}{against}; {touched}, first {first}"
    )


def _parts(story: SetupStory, limits: Tolerances, phrases: Phrases) -> Iterator[str]:
    """Give the parts of a frame's motion that are beyond their limit, or the largest of them."""
    shift, turn = story.frame.shift, story.frame.turn
    plan, height = float(np.hypot(*shift[:2])), float(shift[2])
    way = "clockwise" if turn > 0 else "counter-clockwise"
    # Laid on the site as a whole, they have no north of their own; heights alone have none.
    wind = compass(shift[:2]) if np.isfinite(plan) and not story.as_a_whole else "aside"
    parts = (
        (
            story.far / limits.horizontal if turn else 0.0,
            f"turned {phrases.angle(turn)} {way} about the instrument, "
            f"{phrases.shift(story.far)} at {story.far_point}",
        ),
        (plan / limits.horizontal, f"{phrases.shift(plan)} {wind} of where they are"),
        (
            abs(height) / limits.elevation,
            f"{phrases.shift(height)} {'high' if height > 0 else 'low'}",
        ),
    )
    known = [(share, words) for share, words in parts if np.isfinite(share)]
    least = min(1.0, max(share for share, _ in known))
    yield from (words for share, words in known if share >= least)


def _stray_words(story: SetupStory) -> str:
    """Say which points moved, of a setup that did not."""
    if story.stray:
        count = f"{len(story.stray)} of {counted(story.points, 'point')}"
        return f"{story.setup} stored {count} elsewhere: {some(story.stray)}"
    if story.verdict == SAME:
        return f"{story.setup} stored its points where they are, within the limits"
    return f"{story.setup}: the gear is too coarse to tell whether its stored points moved"
