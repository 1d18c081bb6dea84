"""The crew lead's screen: do the bays tie, which setup is the odd one, what to shoot again.

Made for a phone terminal: it folds to any width from 36 columns on. No colour, no statistics;
the verdict is a word. Heights come with a side: 5 mm high, 12 mm low.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from tieup.lengths import Lengths
from tieup.model.answer import (
    FAILS,
    TIED,
    UNPROVED,
    Errand,
    JointAnswer,
    SetupAnswer,
    TieAnswer,
    all_in_plan,
)
from tieup.sentences import counted
from tieup.units import length_factor
from tieup.write.cautions import CAUTIONS, SHORT_CAUTION
from tieup.write.documents import significant
from tieup.write.terminal import HEIGHT, LEAST_WIDTH, WIDTH, aligned, clipped, folded
from tieup.write.tie_words import beyond_words

LEAST_TABLE = 4  # lines of a table: a blank, the heading, a row, how many more
MOST_REASONS = 3


def ties_text(answer: TieAnswer, width: int = WIDTH, height: int = HEIGHT) -> str:
    """Return the screen, at most ``height`` lines of ``width`` columns.

    What does not fit is counted: first setups and joints that tie, then what each setup of the
    to-do has last, which proves least.
    """
    width = max(width, LEAST_WIDTH)
    head = folded(headline(answer), width)
    loose = folded(beyond_words(_loose(answer)), width)
    foot = ["", *folded(_limits(answer), width), *loose, *folded(SHORT_CAUTION, width)]
    room = height - len(head) - len(foot)
    todo = _errand_lines(answer.todo, width)
    wanted = min(len(todo), room // 2) + 2 if todo else 0
    tables = [
        _entries(parts, answer, title, width)
        for title, parts in (("SETUPS", answer.setups), ("JOINTS", answer.joints))
        if parts
    ]
    shares = _shared_out([1 + sum(map(len, table)) for table in tables], room - wanted)
    lines = [
        line
        for table, share in zip(tables, shares, strict=True)
        for line in ["", *_shortened(table, share - 1)]
    ]
    if todo:
        lines += ["", "TO DO", *_some(answer.todo, width, room - len(lines) - 2)]
    return "\n".join([*head, *lines, *foot]) + "\n"


def ties_record(answer: TieAnswer) -> dict[str, Any]:
    """Return the screen as data, for ``--json``: lengths in the job's unit."""
    factor = length_factor(answer.length_unit)

    def length(value: float) -> float | None:
        return None if not math.isfinite(value) else round(value / factor, 5)

    return {
        "title": answer.title,
        "ties": answer.verdict.word == TIED,
        "status": answer.verdict.status,
        "verdict": answer.verdict.word,
        "reasons": list(answer.verdict.reasons),
        "failing_falls": list(answer.verdict.falls),
        "untold_falls": list(answer.verdict.untold),
        "failing_surfaces": list(answer.verdict.surfaces),
        "untold_surfaces": list(answer.verdict.untold_surfaces),
        "headline": headline(answer),
        "length_unit": answer.length_unit,
        "limits": {
            "name": answer.limits.name,
            "horizontal": significant(answer.limits.horizontal / factor, 6),
            "elevation": significant(answer.limits.elevation / factor, 6),
            "source": answer.limits.source,
        },
        "odd_setup": answer.odd or None,
        "marks": {
            "ties": answer.holding,
            "fails": answer.failing,
            "untested": answer.unproved,
        },
        "setups": [
            {
                "setup": s.setup,
                "station": s.station,
                "plan": length(s.plan),
                "plan_at": s.plan_at,
                "height": length(s.height),
                "height_at": s.height_at,
                "verdict": s.verdict,
                "words": s.words,
            }
            for s in answer.setups
        ],
        "joints": [
            {
                "setups": [j.first, j.second],
                "plan": length(j.plan),
                "height": length(j.height),
                "far": length(j.far),
                "far_at": j.far_at,
                "strings": list(j.strings),
                "verdict": j.verdict,
                "words": j.words,
            }
            for j in answer.joints
        ],
        "to_do": [errand.said for errand in answer.todo],
        "cautions": list(CAUTIONS),
    }


def headline(answer: TieAnswer) -> str:
    """Return the answer in a sentence or two; what is not proved is never called good."""
    title = clipped(answer.title)
    odd = f" {answer.odd} is the odd one{answer.doubt}." if answer.odd else ""
    marks = _marks(answer)
    beside = f", {answer.verdict.beside.upper()}" if answer.verdict.beside else ""
    why, falls = answer.verdict.why(MOST_REASONS), f" {answer.verdict.first_beside}".rstrip()
    if answer.verdict.word == TIED:
        alone = f"THE {answer.lists.upper()} TIE{beside}"
        flat = " IN PLAN" if all_in_plan(answer) else ""
        tied = f"THE BAYS TIE{flat}{beside}. {marks}" if answer.setups else alone
        return f"{title}: {tied}{f'; {why}' if why else ''}.{falls}"
    word = "NOT PROVED YET" if answer.verdict.word == UNPROVED else "DO NOT BUILD ON IT YET"
    return f"{title}: {word}{beside}: {why}.{odd} {marks}.{falls}"


def _marks(answer: TieAnswer) -> str:
    """Count the mark ties that hold, and those that nothing proves."""
    marks = "1 mark tie holds" if answer.holding == 1 else f"{answer.holding:,} mark ties hold"
    return f"{marks}, {answer.unproved:,} untested" if answer.unproved else marks


def _loose(answer: TieAnswer) -> list[str]:
    """Return the setups and joints that tie and show a difference beyond the limits."""
    limits = answer.limits
    parts: list[tuple[str, SetupAnswer | JointAnswer]] = [
        *((one.setup, one) for one in answer.setups),
        *((one.name, one) for one in answer.joints),
    ]
    return [
        name
        for name, one in parts
        if one.verdict == TIED
        and not (isinstance(one, SetupAnswer) and one.unused)
        and (one.plan > limits.horizontal or abs(one.height) > limits.elevation)
    ]


def _limits(answer: TieAnswer) -> str:
    plan, height = Lengths(answer.length_unit).limits(
        answer.limits.horizontal, answer.limits.elevation
    )
    side = " High, low: the setup, or the second one of a joint."
    return f"Limits ({answer.limits.name}): plan {plan}, height {height}.{side}"


def _entries(
    parts: Sequence[SetupAnswer] | Sequence[JointAnswer], answer: TieAnswer, title: str, width: int
) -> list[list[str]]:
    """Return a heading, then the lines of each setup or joint: name, plan, height, verdict."""
    names = [title, *(part.name for part in parts)]
    factor, lengths = length_factor(answer.length_unit), Lengths(answer.length_unit, whole=True)
    across, upright = answer.limits.horizontal / factor, answer.limits.elevation / factor
    plans = ["plan", *(lengths.beside(part.plan / factor, across) or "-" for part in parts)]
    heights = ["height", *(lengths.height(p.height / factor, upright) or "-" for p in parts)]
    verdicts = ["", *(p.verdict.upper() if p.verdict == FAILS else _judged(p) for p in parts)]
    spans = [max(map(len, texts)) for texts in (names, plans, heights)]
    spans[0] = min(spans[0], max(width - spans[1] - spans[2] - 14, 8))
    entries = []
    for name, plan, height, verdict, part in zip(
        names, plans, heights, verdicts, [None, *parts], strict=True
    ):
        cells = (clipped(name, spans[0]), plan, height, verdict)
        line = aligned(cells, (*spans, 0), (False, True, True, False))
        entries.append(_with_reason(line, part, width) if part else [line])
    return entries


def _judged(part: SetupAnswer | JointAnswer) -> str:
    return part.judged if isinstance(part, SetupAnswer) else part.verdict


def _with_reason(line: str, part: SetupAnswer | JointAnswer, width: int) -> list[str]:
    """Put the reason behind the verdict where it fits, else below it, indented."""
    why = part.words
    tied = part.verdict == TIED
    if tied and isinstance(part, JointAnswer) and math.isfinite(part.plan + part.height):
        return [line]
    if len(line) + 2 + len(why) <= width:
        return [f"{line}: {why}"]
    return [line] if tied else [line, *folded(why, width, label="  ")]


def _shared_out(wanted: list[int], room: int) -> list[int]:
    """Share lines out among the tables: the longest gives way first, none below three."""
    given = list(wanted)
    while sum(given) > room and max(given) > LEAST_TABLE:
        given[given.index(max(given))] -= 1
    return given


def _shortened(entries: list[list[str]], room: int) -> list[str]:
    """Return the lines of a table; where they are too many, what ties is left out, and counted."""
    if sum(map(len, entries)) <= room:
        return [line for entry in entries for line in entry]
    kept: set[int] = {0}
    used = 2  # the heading, and the line that counts what is left out
    open_first = sorted(range(1, len(entries)), key=lambda i: (_is_tied(entries[i]), i))
    for i in open_first:
        if used + len(entries[i]) <= room:
            kept.add(i)
            used += len(entries[i])
    hidden = [i for i in range(len(entries)) if i not in kept]
    tied = all(_is_tied(entries[i]) for i in hidden)
    lines = [line for i in sorted(kept) for line in entries[i]]
    return [*lines, f"and {len(hidden)} more{', which tie' if tied else ' in the report'}"]


def _is_tied(entry: list[str]) -> bool:
    return f"  {TIED}" in entry[0]


def _errand_lines(errands: Sequence[Errand], width: int) -> list[str]:
    """Return the to-do, one paragraph a setup."""
    return [
        line
        for number, errand in enumerate(errands, 1)
        for line in folded(f"{number} {errand.said}", width, 2)
    ]


def _some(errands: Sequence[Errand], width: int, room: int) -> list[str]:
    """Return as much of the to-do as there is room for, and how many things are left out.

    Of each setup goes first what proves least, from the longest list; then the setups farthest off.
    """
    kept = [len(errand.things) for errand in errands]
    total = sum(kept)
    while sum(kept):
        some = [
            replace(errand, things=errand.things[:count])
            for errand, count in zip(errands, kept, strict=True)
            if count
        ]
        rest = total - sum(kept)
        more = [f"and {rest:,} more {'thing' if rest == 1 else 'things'} in the report"]
        lines = [*_errand_lines(some, width), *(more if rest else [])]
        if len(lines) <= room:
            return lines
        kept[max(range(len(kept)), key=lambda i: (kept[i], i))] -= 1
    return [f"{counted(total, 'thing')}: see the report"][:room]
