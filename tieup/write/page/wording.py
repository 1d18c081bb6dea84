"""The words of the page: what a verdict is called, and how a length is said aloud.

A verdict always comes as a word with a shape beside it, so that nothing rests on colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tieup.model.reconciliation import Reconciliation

GOOD, BAD, OPEN, WARN = "good", "bad", "open", "warn"


@dataclass(frozen=True)
class Verdict:
    """A verdict in words with the shape drawn beside it: good, bad, open or warn."""

    word: str
    shape: str


VERDICTS = {
    "ties": Verdict("ties", GOOD),
    "fails": Verdict("does not tie", BAD),
    "untested": Verdict("not proved", OPEN),
    "stop": Verdict("settle before use", BAD),
    "check": Verdict("check", WARN),
    "note": Verdict("note", OPEN),
    "pass": Verdict("pass", GOOD),
    "warn": Verdict("warn", WARN),
    "fail": Verdict("fail", BAD),
    "not checked": Verdict("not checked", OPEN),
}

GEOMETRY = {
    "strong": "",
    "weak": "its marks are badly spread: shoot one more on the open side",
    "single": "tied by one mark only: it can swing about that mark",
    "two-tie": "tied by two marks only: a mistake at either would not be located",
    "in-line": "its marks lie in one line with it: mistakes sideways would not show",
    "danger-circle": "angles alone, near the circle through its marks: its place is weak",
    "disconnected": "shares no mark with the rest of the site",
}


def verdict_of(word: str) -> Verdict:
    """Return the verdict that a table's word stands for; an unknown word speaks for itself."""
    return VERDICTS.get(word) or Verdict(word, OPEN)


def stand_words(station: str) -> str:
    """Say what a setup stands over."""
    return f"over {station}" if station else "free station"


@dataclass(frozen=True)
class Lengths:
    """How small lengths are said on one job: in mm on a metric one, else in feet.

    ``unit`` is the job's length unit; every value comes in it.
    """

    unit: str

    @property
    def metric(self) -> bool:
        """Return whether the job is in metres."""
        return self.unit == "m"

    @property
    def name(self) -> str:
        """Return the unit of coordinates, which foot it is included."""
        return {"ft": "ft (international)", "ftUS": "ft (US survey)"}.get(self.unit, self.unit)

    @property
    def small(self) -> str:
        """Return the unit of small lengths."""
        return "mm" if self.metric else "ft"

    def said(self, value: float) -> str:
        """Return a length without sign: 3.4 mm, 14.302 m, 0.012 ft; empty where undefined."""
        if not math.isfinite(value):
            return ""
        if not self.metric:
            return f"{abs(value):.3f} ft"
        if abs(value) >= 1.0:
            return f"{abs(value):.3f} m"
        return f"{abs(value) * 1000:.1f}".removesuffix(".0") + " mm"

    def height(self, value: float) -> str:
        """Return a height difference: 12 mm low."""
        said = self.said(value)
        return said and f"{said} {'low' if value < 0 else 'high'}"

    def figures(self, values: Sequence[float]) -> list[str]:
        """Return differences for a table, in the small unit, without the unit."""
        factor, places = (1000.0, 1) if self.metric else (1.0, 4)
        return ["" if value != value else f"{value * factor:.{places}f}" for value in values]


def count(number: int, noun: str) -> str:
    """Return a count with its noun: 1 tie, 2,000 ties."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def listed(words: Sequence[str], most: int) -> str:
    """Return words as a list in a sentence, with how many more there are."""
    rest = len(words) - most
    return ", ".join(words[:most]) + (f" and {rest:,} more" if rest > 0 else "")


def tie_words(site: Reconciliation, row: int, *, over_only: bool = False) -> str:
    """Say where a setup puts a mark: "S2 puts CP4 12 mm low (limit 3 mm)".

    ``over_only`` leaves out what is within its limit, where something is beyond.
    """
    ties, lengths = site.ties, Lengths(site.job.length_unit)
    plan, rise = float(ties["d_horizontal"][row]), float(ties["d_elevation"][row])
    parts = [
        (abs(plan), float(ties["limit_horizontal"][row]), f"{lengths.said(plan)} off in plan"),
        (abs(rise), float(ties["limit_elevation"][row]), lengths.height(rise)),
    ]
    defined = [part for part in parts if math.isfinite(part[0])]
    over = [part for part in defined if part[0] > part[1]]
    said = ", ".join(
        f"{words} (limit {lengths.said(limit)})"
        for _, limit, words in (over if over_only and over else defined)
    )
    return f"{ties['setup'][row]} puts {ties['point'][row]} {said or 'where nothing tests it'}"
