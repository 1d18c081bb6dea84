"""The crew lead's screen: do the bays tie, which setup is the odd one, what to shoot again.

Made for a phone terminal: it folds to any width from 36 columns on. No colour, no statistics;
the verdict is a word. Heights come with a side: 5 mm high, 12 mm low.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

from tieup.model.answer import JointAnswer, SetupAnswer, TieAnswer
from tieup.units import length_factor
from tieup.write.cautions import CAUTIONS
from tieup.write.documents import significant

WIDTH, HEIGHT = 80, 40
LEAST_WIDTH = 36
ROOMY = 64  # columns from which the reason fits behind the verdict
FAILS, TIES = "fails", "ties"
SHORT_CAUTION = "Check independently before excavating, paving or setting structure."
RANK = {FAILS: 0, "untested": 1, TIES: 2}


def ties_text(answer: TieAnswer, width: int = WIDTH, height: int = HEIGHT) -> str:
    """Return the screen, at most ``height`` lines of ``width`` columns.

    What does not fit is counted; rows that fail come first then.
    """
    width = max(width, LEAST_WIDTH)
    head = _folded(headline(answer), width)
    foot = ["", *_folded(_limits(answer), width), *_folded(SHORT_CAUTION, width)]
    room = height - len(head) - len(foot)
    setups = _rows(answer.setups, answer, width, "setups")
    joints = _rows(answer.joints, answer, width, "joints")
    blocks = [["", "SETUPS", *setups]] + ([["", "JOINTS", *joints]] if joints else [])
    todo = [_folded(f"{n} {text}", width, "  ") for n, text in enumerate(answer.todo, 1)]
    wanted = min(sum(map(len, todo)), max(room // 3, 4)) + 2 if todo else 0
    lines = [line for block in _fitted(blocks, room - wanted) for line in block]
    if todo:
        lines += ["", "TO DO", *_some(todo, room - len(lines) - 2)]
    return "\n".join([*head, *lines, *foot]) + "\n"


def ties_record(answer: TieAnswer) -> dict[str, Any]:
    """Return the screen as data, for ``--json``: lengths in the job's unit."""
    factor = length_factor(answer.length_unit)

    def length(value: float) -> float | None:
        return None if not math.isfinite(value) else round(value / factor, 5)

    return {
        "title": answer.title,
        "ties": answer.status == 0,
        "status": answer.status,
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
        "to_do": list(answer.todo),
        "cautions": list(CAUTIONS),
    }


def headline(answer: TieAnswer) -> str:
    """Return the answer in one sentence or two."""
    title = answer.title if len(answer.title) <= 40 else answer.title[:38] + ".."
    unproved = f", {answer.unproved} unproved" if answer.unproved else ""
    counts = f"{answer.holding} marks tie{unproved}"
    if answer.failing:
        counts = f"{answer.failing} fail, {counts}"
    odd = f" {answer.odd} is the odd one." if answer.odd else ""
    if answer.status == 0 and not answer.odd:
        return f"{title}: THE BAYS TIE. {counts}."
    if answer.status == 0:
        return f"{title}: THE BAYS TIE, but look:{odd} {counts}."
    return f"{title}: DO NOT BUILD ON IT YET.{odd} {counts}."


def _limits(answer: TieAnswer) -> str:
    plan = _length(answer.limits.horizontal, answer.length_unit)
    height = _length(answer.limits.elevation, answer.length_unit)
    name = answer.limits.name
    return f"Limits ({name}): plan {plan}, height {height}. Heights are as the named setup has it."


def _rows(
    parts: Sequence[SetupAnswer] | Sequence[JointAnswer], answer: TieAnswer, width: int, noun: str
) -> list[str]:
    """Return one line per setup or joint: name, plan, height, verdict, and why."""
    if not parts:
        return []
    names = [_name(part) for part in parts]
    plans = [_length(part.plan, answer.length_unit) or "-" for part in parts]
    heights = [_height(part.height, answer.length_unit) or "-" for part in parts]
    spans = [max(map(len, texts)) for texts in (names, plans, heights)]
    spans[0] = min(spans[0], max(width - spans[1] - spans[2] - 12, 8))
    lines = []
    for part, name, plan, height in zip(parts, names, plans, heights, strict=True):
        verdict = part.verdict.upper() if part.verdict == FAILS else part.verdict
        line = (
            f"{_clipped(name, spans[0]):<{spans[0]}}  {plan:>{spans[1]}}  "
            f"{height:>{spans[2]}}  {verdict}"
        )
        why = _why(part)
        if why and width >= ROOMY:
            line = _clipped(f"{line}: {why}", width)
        lines.append(_clipped(line, width))
        if why and width < ROOMY and part.verdict != TIES:
            lines += _folded(f"  {why}", width, "  ")
    return lines


def _name(part: SetupAnswer | JointAnswer) -> str:
    if isinstance(part, JointAnswer):
        return f"{part.first}-{part.second}"
    return f"{part.setup} over {part.station}" if part.station else part.setup


def _why(part: SetupAnswer | JointAnswer) -> str:
    """Return the reason in words, with the mark where one is to blame."""
    if isinstance(part, SetupAnswer) and part.verdict == FAILS:
        marks = dict.fromkeys(mark for mark in (part.height_at, part.plan_at) if mark)
        return f"{part.words}, worst {' and '.join(marks)}" if marks else part.words
    return "" if part.verdict == TIES and isinstance(part, JointAnswer) else part.words


def _fitted(blocks: list[list[str]], room: int) -> list[list[str]]:
    """Shorten the longest blocks until all of them fit."""
    while sum(map(len, blocks)) > max(room, 3 * len(blocks)):
        longest = max(blocks, key=len)
        hidden = 1
        if longest[-1].startswith("and "):
            hidden += int(longest.pop().split()[1])
        longest.pop()
        longest.append(f"and {hidden} more")
        if len(longest) <= 3:
            break
    return blocks


def _some(items: list[list[str]], room: int) -> list[str]:
    """Return as many of the items as there is room for, and how many are left out."""
    lines: list[str] = []
    for number, item in enumerate(items):
        rest = len(items) - number
        if len(lines) + len(item) > room - (rest > 1):
            lines.append(f"and {rest} more in the report")
            break
        lines += item
    return lines


def _length(value: float, unit: str) -> str:
    """Return a small length without sign, in mm or in hundredths of a foot."""
    if not math.isfinite(value):
        return ""
    if unit != "m":
        return f"{abs(value) / length_factor(unit):.2f} ft"
    return f"{abs(value) * 1000:.0f} mm"


def _height(value: float, unit: str) -> str:
    """Return a height difference as a crew says it: 12 mm low."""
    length = _length(value, unit)
    if not length or float(length.split()[0]) == 0.0:
        return length
    return f"{length} {'low' if value < 0 else 'high'}"


def _clipped(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 2] + ".."


def _folded(text: str, width: int, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, width, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True
    )
