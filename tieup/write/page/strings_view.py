"""Strings and falls on the page: lines of the plan, length and slope of each string, the checks.

Everything is read off the tables behind strings.csv and falls.csv.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.reconciliation import Reconciliation, Table
from tieup.sentences import listed
from tieup.write.columns import FALLS
from tieup.write.page.drawing_points import DrawingPoints
from tieup.write.page.page_table import (
    NAME,
    NUMBER,
    TEXT,
    VERDICT,
    PageColumn,
    PageTable,
    columns_of,
    left_out,
    length,
    texts,
)

MOST_STRINGS, MOST_FALLS, MOST_CHECKS, MOST_NAMES = 200, 300, 200, 6
STATES = ("fail", "cannot tell", "pass")  # the worst first
UNTESTED = "untested"  # of points that lie beyond a string; of ties it means not proved
RANKS = (*STATES, UNTESTED)
FALL_COLUMNS = (
    ("Check", TEXT, "check"),
    ("Result", VERDICT, "verdict"),
    ("Fall %", NUMBER, "fall"),
    ("± %", NUMBER, "sd_fall"),
    ("From", TEXT, "from"),
    ("To", TEXT, "to"),
    ("At least", NUMBER, "minimum"),
    ("At most", NUMBER, "maximum"),
    ("Length", NUMBER, "length"),
    ("In words", TEXT, "reason"),
    ("Proof", TEXT, "proof"),
    ("Shot", TEXT, "joint"),
    ("Setups", TEXT, "setups"),
)


@dataclass(frozen=True)
class FallSentence:
    """A fall that fails, and a point of it that the plan can show; empty where none can."""

    says: str
    point: str


@dataclass(frozen=True)
class _Along:
    """The rows of one string in the strings table."""

    table: Table
    rows: IntArray

    def numbers(self, name: str) -> FloatArray:
        return np.asarray(self.table[name], dtype=np.float64)[self.rows]

    def texts(self, name: str) -> list[str]:
        return [str(self.table[name][row]) for row in self.rows.tolist()]

    @property
    def ends(self) -> list[int]:
        """Return the last row of each part."""
        part = self.numbers("part")
        return [*np.flatnonzero(np.diff(part)).tolist(), len(part) - 1]

    def sd(self, joint: str) -> FloatArray:
        """Return the sds of the falls of legs inside one setup or across a joint."""
        own = np.array([word == joint for word in self.texts("joint")], dtype=bool)
        return np.asarray(self.numbers("sd_fall")[own])

    def spots(self, word: str) -> list[str]:
        """Return the points that are surely or perhaps low spots."""
        marked = zip(self.texts("point"), self.texts("low_spot"), strict=True)
        return list(dict.fromkeys(point for point, low in marked if low == word))


def string_lines(strings: Table, places: DrawingPoints) -> str:
    """Return the parts of all strings as one SVG path, through the points that are shown."""
    if not length(strings):
        return ""
    columns = (texts(strings, name) for name in ("string", "part", "point"))
    path = []
    for _, rows in groupby(zip(*columns, strict=True), key=lambda row: row[:2]):
        found = [places.names.get(point, -1) for _, _, point in rows]
        shown = [places.at(number) for number in found if number >= 0]
        if len(shown) > 1:
            path.append("M" + "L".join(shown))
    return "".join(path)


def failing_falls(site: Reconciliation) -> Iterator[FallSentence]:
    """Give the named falls that fail, as the findings say them."""
    for finding in site.findings:
        if finding.kind == "fall" and finding.severity == "check":
            yield FallSentence(finding.says, finding.points[0] if finding.points else "")


def strings_table(site: Reconciliation) -> PageTable | None:
    """Return a row for each string; None in a site without strings."""
    strings, lengths = site.strings, Lengths(site.job.length_unit)
    if not length(strings):
        return None
    names = texts(strings, "string")
    groups = [np.array([*rows]) for _, rows in groupby(range(len(names)), key=names.__getitem__)]
    shown = [_Along(strings, rows) for rows in groups[:MOST_STRINGS]]
    chainage = [along.numbers("chainage")[along.ends].sum() for along in shown]
    spread = [np.hypot.reduce(along.numbers("sd_chainage")[along.ends]) for along in shown]
    falls = [along.numbers("fall") for along in shown]
    columns: Sequence[tuple[str, str, list[str]]] = (
        ("String", NAME, [along.texts("string")[0] for along in shown]),
        ("Code", TEXT, [along.texts("code")[0] for along in shown]),
        ("Points", NUMBER, [str(len(set(along.texts("point")))) for along in shown]),
        ("Length", NUMBER, [f"{value:.3f}" for value in chainage]),
        (f"± {lengths.small}", NUMBER, lengths.figures(spread)),
        ("Least fall %", NUMBER, [_figure(fall, np.fmin) for fall in falls]),
        ("Most %", NUMBER, [_figure(fall, np.fmax) for fall in falls]),
        ("± within %", NUMBER, [_figure(along.sd("within"), np.fmax) for along in shown]),
        ("± across %", NUMBER, [_figure(along.sd("across"), np.fmax) for along in shown]),
        ("Low spots", TEXT, [_low_spots(along) for along in shown]),
        ("Remarks", TEXT, ["; ".join(filter(None, along.texts("remarks"))) for along in shown]),
    )
    return PageTable(
        f"Strings, in order across the setups. Length in {lengths.name}. Falls of their legs, "
        "positive where it falls along the string; ± is 1 sd, of falls the largest of a leg that "
        "one setup has shot whole and of one from setup to setup.",
        tuple(PageColumn(*column) for column in columns),
        left_out(len(shown), len(groups), "strings", "strings.csv"),
    )


def _figure(values: FloatArray, pick: np.ufunc) -> str:
    """Return the least or most of some values, empty where none is defined."""
    known = values[np.isfinite(values)]
    return f"{pick.reduce(known):.3f}" if len(known) else ""


def _low_spots(along: _Along) -> str:
    sure, perhaps = along.spots("low"), along.spots("perhaps")
    words = [listed(sure, MOST_NAMES)] if sure else []
    return "; ".join([*words, *([f"perhaps {listed(perhaps, MOST_NAMES)}"] if perhaps else [])])


def falls_table(site: Reconciliation) -> PageTable | None:
    """Return every fall that was checked, what does not pass first; None without checks."""
    falls = site.falls
    if not length(falls):
        return None
    rank = [RANKS.index(word) for word in texts(falls, "verdict")]
    rows = np.argsort(rank, kind="stable")[:MOST_FALLS]
    return PageTable(
        f"Named falls, what does not pass first. Length in {Lengths(site.job.length_unit).name}; "
        "± is 1 sd.",
        tuple(_said(one) for one in columns_of(falls, FALL_COLUMNS, site.job, rows, FALLS)),
        left_out(len(rows), length(falls), "falls", "falls.csv", "what does not pass"),
    )


def _said(column: PageColumn) -> PageColumn:
    """Return a column with the verdict untested in words of its own."""
    if column.look != VERDICT:
        return column
    words = ["not tested" if word == UNTESTED else word for word in column.cells]
    return replace(column, cells=words)


def checks_table(site: Reconciliation) -> PageTable | None:
    """Return each named check with its result; None without checks."""
    counts: dict[str, Counter[str]] = {}
    for name, word in zip(texts(site.falls, "check"), texts(site.falls, "verdict"), strict=True):
        counts.setdefault(name, Counter())[word] += 1
    if not counts:
        return None
    worst = {name: next(word for word in STATES if own[word]) for name, own in counts.items()}
    order = sorted(counts, key=lambda name: STATES.index(worst[name]))[:MOST_CHECKS]
    return PageTable(
        f"Falls asked for in job.yaml. Pass and fail hold at {site.job.confidence * 100:g} % "
        "confidence, as the gear scatters; a mistake in a point that nothing checks would not "
        "show. Each fall stands on the surveyor's view.",
        (
            PageColumn("Check", TEXT, order),
            PageColumn("Result", VERDICT, [worst[name] for name in order]),
            *(
                PageColumn(word.capitalize(), NUMBER, [f"{counts[name][word]:,}" for name in order])
                for word in STATES
            ),
            PageColumn("Tested", TEXT, [_tested(counts[name]) for name in order]),
        ),
        left_out(len(order), len(counts), "checks", "falls.csv", "what does not pass"),
    )


def _tested(counts: Counter[str]) -> str:
    """Say how many places of a check are tested."""
    total = counts.total()
    return f"{total - counts[UNTESTED]:,} of {total:,}"
