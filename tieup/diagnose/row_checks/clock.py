"""Clocks that run backwards, jump by whole hours, or let setups overlap.

Setups are gathered in the order of the file; the clock serves what depends on time: breaks,
drifts, moved marks. A clock that cannot be right makes those doubtful.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from tieup.diagnose.basis.row_lines import lines_of
from tieup.diagnose.basis.solve import Solved
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import TIME_ORDER

HOUR = 3600.0  # s
BACK = 1.0  # s; a step back beyond this is no rounding
SET = 10.0  # s; a step this close to whole hours is a clock that was set
NEAR_HOUR = 120.0  # s; a step back this close to whole hours is said to be one
OVERLAP = 60.0  # s; setups that share more of the clock than this overlap
UNSORTED = 0.2  # share of steps back from which the rows are not in the order of time


def clock_findings(fieldbook: Fieldbook, solved: Solved) -> list[Finding]:
    """Return a finding for each setup whose clock jumps, and for setups that overlap."""
    findings, strange = [], set()
    for setup, rows in enumerate(timed_rows(fieldbook)):
        finding = _jumps(fieldbook, setup, rows)
        if finding is not None:
            findings.append(finding)
            strange.add(setup)
    return findings + list(_overlaps(fieldbook, solved, strange))


def timed_rows(fieldbook: Fieldbook) -> list[IntArray]:
    """Return the rows of each setup that have a time, as recorded, copies left out."""
    shots = fieldbook.shots
    rows = np.flatnonzero(np.isfinite(shots.time) & ~shots.repeated)
    rows = rows[np.argsort(shots.setup[rows], kind="stable")]
    starts = np.searchsorted(shots.setup[rows], np.arange(len(fieldbook.setups) + 1))
    return [rows[start:end] for start, end in pairwise(starts.tolist())]


def _jumps(fieldbook: Fieldbook, setup: int, rows: IntArray) -> Finding | None:
    step = np.diff(fieldbook.shots.time[rows])
    if not len(step):
        return None
    pace = float(np.median(step[step > 0])) if (step > 0).any() else 0.0
    back = np.flatnonzero(step < -BACK)
    if len(back):
        return _backwards(fieldbook, setup, rows, step, back, pace)
    hours = np.rint((step - pace) / HOUR)
    ahead = np.flatnonzero((hours >= 1) & (np.abs(step - pace - hours * HOUR) <= SET))
    return _ahead(fieldbook, setup, rows[ahead + 1], float(step[ahead[0]])) if len(ahead) else None


def _backwards(
    fieldbook: Fieldbook,
    setup: int,
    rows: IntArray,
    step: FloatArray,
    back: IntArray,
    pace: float,
) -> Finding:
    label = fieldbook.setups[setup].label
    worst = back[np.argmin(step[back])]
    size = float(step[worst]) - pace
    lines = lines_of(fieldbook, rows[back + 1])
    if len(back) > UNSORTED * len(step):
        says = f"The rows of setup {label} are not in the order of time ({len(back)} steps back)."
    else:
        hours = round(size / HOUR)
        whole = hours != 0 and abs(size - hours * HOUR) <= NEAR_HOUR
        why = (
            f" ({-hours} h: the clock was set, or a time zone changed)"
            if whole
            else " (a setup reopened, or rows out of order)"
        )
        places = f"at {lines[0]}" if len(lines) == 1 else f"in {len(lines)} places"
        says = f"In setup {label} the clock runs back by {_span(-step[worst])} {places}{why}."
    return TIME_ORDER.found(
        setup=label,
        lines=lines,
        size=size,
        unit="s",
        action="order of the file kept",
        says=f"{says} Setups are gathered in the order of the file; whatever depends on time, a "
        "knocked instrument or a moved mark, is doubtful here.",
        confirm="Compare the clock with the field book and with the other setups.",
        cure="Correct the times in a copy of the export, or take the time column out.",
    )


def _ahead(fieldbook: Fieldbook, setup: int, rows: IntArray, step: float) -> Finding:
    label, lines = fieldbook.setups[setup].label, lines_of(fieldbook, rows)
    return TIME_ORDER.found(
        severity="note",
        setup=label,
        lines=lines,
        size=step,
        unit="s",
        says=f"In setup {label} the clock jumps ahead by {_span(step)} at {lines[0]}: whole hours, "
        "as when a clock is set. A pause looks the same.",
        confirm="Ask the crew whether work stopped for that long.",
        cure="Nothing, if it was a pause.",
        key="ahead",
    )


def _overlaps(fieldbook: Fieldbook, solved: Solved, strange: set[int]) -> Iterator[Finding]:
    """Give neighbouring setups of one instrument whose times overlap."""
    setups, shots = solved.case.setups, solved.case.shots
    spans: dict[str, list[tuple[float, float, int]]] = {}
    timed = np.isfinite(shots.time) & ~shots.repeated
    for number, setup in enumerate(setups if timed.any() else ()):
        times = shots.time[(shots.setup == number) & timed]
        if len(times) and number not in strange:
            spans.setdefault(setup.instrument, []).append((times.min(), times.max(), number))
    for instrument, own in spans.items():
        own.sort()
        for (_, end, one), (start, _, other) in pairwise(own):
            if start < end - OVERLAP:
                yield _overlap(setups[one].label, setups[other].label, instrument, end - start)


def _overlap(one: str, other: str, instrument: str, seconds: float) -> Finding:
    unnamed = instrument == "default"
    return TIME_ORDER.found(
        severity="note" if unnamed else "check",
        setup=other,
        says=f"By the clock setups {one} and {other} of one instrument overlap for "
        f"{_span(seconds)}: a label used again, a clock set wrong"
        + (", or two instruments that the raw files do not name." if unnamed else "."),
        confirm="Compare the times in the field book.",
        cure="If two instruments were at work, name them in an instrument column."
        if unnamed
        else "Correct the setup labels or the clock in a copy of the export.",
        key=f"overlap {one}",
    )


def _span(seconds: float) -> str:
    """Write a time span as people say it."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    parts = [(hours, "h"), (minutes, "min"), (rest, "s")]
    return " ".join(f"{number} {unit}" for number, unit in parts if number) or "0 s"
