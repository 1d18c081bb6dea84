"""The words for how a setup is held by its marks, and what each means: in one place for all.

``strong`` is none of the others, which stand from what holds worst. The numbers behind them are
worked out in `tieup.ties.setup_geometry`.
"""

from __future__ import annotations

from dataclasses import dataclass

STRONG, WEAK, SINGLE, TWO, LINE, CIRCLE, DISCONNECTED = (
    "strong",
    "weak",
    "single",
    "two-tie",
    "in-line",
    "danger-circle",
    "disconnected",
)


@dataclass(frozen=True)
class GeometryWord:
    """What a word means: ``brief`` beside a setup, ``risk`` as a finding, empty where none."""

    brief: str
    risk: str = ""


GEOMETRY_WORDS = {
    STRONG: GeometryWord(""),
    WEAK: GeometryWord(
        "its marks are badly spread: shoot one more on the open side",
        "its marks hold it weakly",
    ),
    SINGLE: GeometryWord(
        "tied by one mark only: it can swing about that mark",
        "one mark alone holds it: it can swing about that mark",
    ),
    TWO: GeometryWord(
        "tied by two marks only: a mistake at either would not be located",
        "tied, unproved: in plan two marks prove only the distance between them. A mirrored "
        "circle, two swapped names or a wrong mark would pass",
    ),
    LINE: GeometryWord(
        "its marks lie in one line with it: mistakes sideways would not show",
        "its marks lie in one line: a mistake across the line, or a mirrored circle, would pass",
    ),
    CIRCLE: GeometryWord(
        "angles alone, near the circle through its marks: its place is weak",
        "it is placed by angles alone and lies near the circle through its marks",
    ),
    DISCONNECTED: GeometryWord("shares no mark with the rest of the site"),
}
LACKING = (SINGLE, TWO, LINE, CIRCLE, DISCONNECTED)  # a setup held so proves too little
