"""The screen of a plan: does it hold, what is weak, which further sight helps most.

No colour, no statistics; it folds to any width from 36 columns on. The first line is the
answer. Everything on it is predicted: nothing has been measured.
"""

from __future__ import annotations

import math
from typing import Any

from tieup.lengths import Lengths
from tieup.model.plan import BayForecast, JointForecast, MarkForecast, PlanAnswer, SetupForecast
from tieup.model.point_words import UNCHECKED
from tieup.sentences import counted, listed
from tieup.units import length_factor
from tieup.write.cautions import CAUTIONS, SHORT_CAUTION
from tieup.write.documents import significant
from tieup.write.terminal import LEAST_WIDTH, WIDTH, aligned, clipped, folded

MOST_FAULTS, MOST_MARKS, MOST_SETUPS, MOST_DOUBLED = 6, 12, 12, 6
PREDICTED = (
    "Predicted, not measured: it holds for the stated gear and without mistakes.",
    "Whether a mark can be seen is not known here.",
)
ANYTHING, UNDEFINED = "any", "-"
HIDES, UNNOTICED = ("hides plan", "height"), ("unnoticed plan", "height")


def plan_text(answer: PlanAnswer, width: int = WIDTH) -> str:
    """Return the screen, lines of at most ``width`` columns."""
    width = max(width, LEAST_WIDTH)
    blocks = [
        [headline(answer), _about(answer)],
        _numbered("WEAK", list(answer.faults[1:] and answer.faults), MOST_FAULTS),
    ]
    lines = [line for block in blocks for line in _block(block, width)]
    lines += _table(_marks(answer), width) if answer.marks else []
    lines += _table(_setups(answer), width) if answer.setups else []
    lines += _table(_joints(answer), width) if answer.joints else []
    for block in (
        _next(answer) if answer.setups else [],
        [*_doubled(answer), _limits(answer), *PREDICTED, SHORT_CAUTION],
    ):
        lines += _block(block, width)
    return "\n".join(lines[:-1]) + "\n"


def headline(answer: PlanAnswer) -> str:
    """Return the answer in a sentence."""
    lengths = Lengths(answer.length_unit)
    if not answer.faults:
        plan, height = lengths.limits(answer.limits.horizontal, answer.limits.elevation)
        count = counted(len(answer.marks), "mark")
        flat = all(math.isnan(mark.height) for mark in answer.marks)
        within = f"{plan} in plan" if flat else f"{plan} in plan and {height} in height"
        return (
            f"PLAN HOLDS: {count} within {within}, "
            "every mark checked, every setup and joint would tie."
        )
    more = len(answer.faults) - 1
    return f"PLAN IS WEAK: {answer.faults[0]}." + (f" {more} more below." if more else "")


def plan_record(answer: PlanAnswer) -> dict[str, Any]:
    """Return the screen as data, for ``--json``: lengths in the job's unit, null: undefined."""
    factor = length_factor(answer.length_unit)
    return {
        "title": answer.title,
        "holds": not answer.status,
        "status": answer.status,
        "headline": headline(answer),
        "basis": answer.basis,
        "length_unit": answer.length_unit,
        "confidence": answer.confidence,
        "limits": {
            "name": answer.limits.name,
            "horizontal": significant(answer.limits.horizontal / factor, 6),
            "elevation": significant(answer.limits.elevation / factor, 6),
            "source": answer.limits.source,
        },
        "sights": answer.sights,
        "links": answer.links,
        **({"baselines": answer.baselines} if answer.baselines else {}),
        "points_shot_once": answer.details,
        "to_settle": answer.to_settle,
        "taken_from_control": list(answer.doubled),
        "weak": list(answer.faults),
        "marks": [_plain(mark) for mark in answer.marks],
        "setups": [_plain(setup) for setup in answer.setups],
        "joints": [_plain(joint) for joint in answer.joints],
        "next_shots": [
            {**vars(shot), "distance": round(shot.distance, 3), "gains": list(shot.gains)}
            for shot in answer.shots
        ],
        "untied_setups": list(answer.untied),
        "reach": round(answer.reach, 3),
        "cautions": [*PREDICTED, *CAUTIONS],
    }


def _plain(part: MarkForecast | SetupForecast | JointForecast | BayForecast) -> dict[str, Any]:
    """Return a part as plain data; how a bay stands is not nested."""
    plain: dict[str, Any] = {}
    for name, value in vars(part).items():
        if isinstance(value, BayForecast):
            plain |= _plain(value)
        elif isinstance(value, float):
            plain[name] = round(value, 5) if math.isfinite(value) else None
        else:
            plain[name] = value
    return plain


def _about(answer: PlanAnswer) -> str:
    once = f"; {counted(answer.details, 'point')} shot once, not asked about"
    parts = [counted(len(answer.marks), "mark")]
    if answer.setups:
        parts = [counted(len(answer.setups), "setup"), *parts]
        parts.append(f"{counted(answer.sights, 'sight')} {answer.basis}")
    if answer.links:
        parts.append(counted(answer.links, "level run or tape", "level runs and tapes"))
    if answer.baselines:
        parts.append(counted(answer.baselines, "baseline"))
    about = ", ".join(parts)
    settle = f" {counted(answer.to_settle, 'finding')} to settle first: tieup reconcile."
    head = f"{clipped(answer.title)}: {about}{once if answer.details else ''}."
    return head + (settle if answer.to_settle else "")


def _doubled(answer: PlanAnswer) -> list[str]:
    """Say which marks are planned where control has them, not where the list of places does."""
    names = listed(answer.doubled, MOST_DOUBLED)
    return [f"Taken from control, not from the list of places: {names}."] if names else []


def _limits(answer: PlanAnswer) -> str:
    plan, height = Lengths(answer.length_unit).limits(
        answer.limits.horizontal, answer.limits.elevation
    )
    return (
        f"Limits ({answer.limits.name}): plan {plan}, height {height}, at "
        f"{100 * answer.confidence:g} %. Hides: what a mistake could still do to the mark when the "
        "readings of a good day are in, on 8 days in 10 no more (any: nothing would show it); "
        "checked: that keeps the limits. "
        "Unnoticed: the most that a mistake too small to be found could do where the setup or "
        "joint is used. Would tie: shown on 8 days in 10 that no mistake did more than the limit."
    )


def _numbered(title: str, texts: list[str], most: int) -> list[str]:
    """Return a heading and numbered texts; what does not fit is counted."""
    if not texts:
        return []
    lines = [title, *(f"{number} {text}" for number, text in enumerate(texts[:most], 1))]
    rest = len(texts) - most
    return [*lines, f"and {rest} more in plan.json"] if rest > 0 else lines


def _next(answer: PlanAnswer) -> list[str]:
    lengths = Lengths(answer.length_unit)
    unit = "m" if lengths.metric else lengths.small
    reach = f"{answer.reach:.0f} {unit}"
    tried = (
        f"Tried: each setup with each mark within {reach}, 1.5 times the longest sight; marks "
        "are shot as often as the setup's others."
    )
    texts = [
        f"From {setup} shoot one more mark that is known or shared: where it stands is not known"
        for setup in answer.untied
    ]
    if not answer.shots and not texts:
        return ["NEXT SHOT", "No further sight within reach would better it.", tried]
    for shot in answer.shots:
        gain = "; ".join(shot.gains) or "little gained"
        texts.append(f"From {shot.setup} shoot {shot.point} ({shot.distance:.0f} {unit}): {gain}")
    return [*_numbered("NEXT SHOT, if it can be seen, best first", texts, len(texts)), tried]


def _marks(answer: PlanAnswer) -> list[list[str]]:
    """Return heading and rows of marks, the weakest first."""
    lengths = Lengths(answer.length_unit)
    heading = [f"MARKS, {lengths.small}", "plan", "height", *HIDES, "proof"]
    shown = answer.marks[:MOST_MARKS]
    rows = [
        [
            mark.point,
            *_figures(lengths, (mark.plan, mark.height), (mark.hides_plan, mark.hides_height)),
            _state(mark),
        ]
        for mark in shown
    ]
    rest = len(answer.marks) - len(shown)
    return [heading, *rows, *([[f"and {rest} better ones in plan_points.csv"]] if rest else [])]


def _state(mark: MarkForecast) -> str:
    """Return the proof of a mark in words, before it OVER where it misses a limit."""
    proof = mark.proof or "not placed"
    if proof == UNCHECKED:
        plan, height = math.isinf(mark.hides_plan), math.isinf(mark.hides_height)
        proof += {(True, False): " in plan", (False, True): " in height"}.get((plan, height), "")
        if not plan and not height:
            proof = f"checked {100 * mark.checked:.0f} days in 100"
    if mark.over <= 1.0:
        return proof
    return f"OVER, {proof}" if mark.proof == UNCHECKED else "OVER"


def _figures(
    lengths: Lengths, known: tuple[float, float], hidden: tuple[float, float]
) -> list[str]:
    """Return how well something is known and what is hidden, in the small unit; a word for all."""
    figures = lengths.figures(list(known))
    found = [ANYTHING if math.isinf(size) else lengths.figures([size])[0] for size in hidden]
    return [text or UNDEFINED for text in (*figures, *found)]


def _setups(answer: PlanAnswer) -> list[list[str]]:
    lengths = Lengths(answer.length_unit)
    heading = [f"SETUPS, {lengths.small}", "plan", "height", *UNNOTICED, "verdict"]
    shown = sorted(answer.setups, key=lambda setup: not setup.faults)[:MOST_SETUPS]
    rows = []
    for setup in shown:
        name = f"{setup.setup} over {setup.station}" if setup.station else setup.setup
        verdict = f"{setup.bay.verdict}, {setup.geometry}"
        text = f"{verdict}: {setup.note}" if setup.note else verdict
        rows.append([name, *_of_bay(lengths, setup.bay), text])
    rest = len(answer.setups) - len(shown)
    return [heading, *rows, *([[f"and {rest} more in plan_setups.csv"]] if rest else [])]


def _joints(answer: PlanAnswer) -> list[list[str]]:
    lengths = Lengths(answer.length_unit)
    heading = [f"JOINTS, {lengths.small}", "plan", "height", *UNNOTICED, "verdict"]
    shown = sorted(answer.joints, key=lambda joint: not joint.faults)[:MOST_SETUPS]
    rows = [
        [f"{joint.first}-{joint.second}", *_of_bay(lengths, joint.bay), joint.bay.verdict]
        for joint in shown
    ]
    rest = len(answer.joints) - len(shown)
    return [heading, *rows, *([[f"and {rest} more in plan_joints.csv"]] if rest else [])]


def _of_bay(lengths: Lengths, bay: BayForecast) -> list[str]:
    return _figures(lengths, (bay.plan, bay.height), (bay.unnoticed_plan, bay.unnoticed_height))


def _block(texts: list[str], width: int) -> list[str]:
    """Fold texts, a blank line behind them; nothing where there are none."""
    lines = [line for text in texts for line in _folded(text, width)]
    return [*lines, ""] if lines else []


def _folded(text: str, width: int) -> list[str]:
    return folded(text, width, 2 if text[:1].isdigit() else 0)


def _table(rows: list[list[str]], width: int) -> list[str]:
    """Lay rows out in columns, the last one open; on a narrow screen without what is hidden."""
    whole = [row for row in rows if len(row) > 1]
    if width < WIDTH - 10:
        whole = [[*row[:3], row[5]] for row in whole]
    spans = [max(len(row[column]) for row in whole) for column in range(len(whole[0]) - 1)]
    spans[0] = min(spans[0], max(width - sum(spans[1:]) - 2 * len(spans) - 9, 8))
    at_right = [False, *[True] * (len(spans) - 1), False]
    lines = []
    for row in whole:
        cells = (clipped(row[0], spans[0]), *row[1:-1])
        line = aligned((*cells, row[-1]), (*spans, 0), at_right)
        if len(line) <= width:
            lines.append(line)
            continue
        word, _, rest = row[-1].partition(": ")
        line = aligned((*cells, word), (*spans, 0), at_right)
        if len(line) > width:
            line, rest = aligned((*cells, ""), (*spans, 0), at_right), row[-1]
        lines.append(line)
        lines += folded(rest, width, label="  ")
    last = [row[0] for row in rows if len(row) == 1]
    return [*lines, *(line for text in last for line in _folded(text, width)), ""]
