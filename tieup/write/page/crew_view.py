"""The crew lead's view: do the bays tie, which setup is the odd one, what to shoot again.

Read in a truck within a minute or two: the answer first, the trade's words, no statistics.
The answer is that of `tieup ties` (`tieup.model.answer`); a site without one still shows which
setups and marks tie.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.lengths import Lengths
from tieup.model.answer import TIED, UNPROVED, JointAnswer, SetupAnswer, TieAnswer
from tieup.model.geometry_words import GEOMETRY_WORDS
from tieup.model.link_kinds import lists_alone
from tieup.model.reconciliation import Reconciliation, Table
from tieup.sentences import counted, listed
from tieup.units import length_factor
from tieup.write.page.page_table import left_out, length, numbers, texts
from tieup.write.page.strings_view import FallSentence, failing_falls
from tieup.write.page.wording import BAD, GOOD, OPEN, Verdict, stand_words, verdict_of
from tieup.write.tie_words import tie_words

MOST_ROWS, MOST_SENTENCES, MOST_NAMES = 60, 20, 12
MOST_REASONS = 5  # in front of what to do, which a phone shows at once
FULL_GAUGE = 2.0  # a gauge is full at twice the limit, so that the limit stands in the middle
URGENCY = {"fails": 0, "unproved": 1, "untested": 1}  # what ties comes last


@dataclass(frozen=True)
class Measure:
    """A difference against its limit: ``percent`` of the gauge, whose middle is the limit."""

    label: str
    says: str
    limit: str
    percent: float
    over: bool
    point: str


@dataclass(frozen=True)
class CrewRow:
    """A setup or a joint with its verdict, its plan and height, and what else to say of it.

    ``setup`` is the setup that the plan can show, empty for a joint.
    """

    name: str
    setup: str
    where: str
    verdict: Verdict
    measures: tuple[Measure, ...]
    remark: str


@dataclass(frozen=True)
class Sentence:
    """What a setup does to a mark, and the mark it speaks of."""

    says: str
    point: str


@dataclass(frozen=True)
class MistakeRow:
    """What went wrong in the field, how grave it is, and how a person makes sure."""

    severity: Verdict
    says: str
    confirm: str


@dataclass(frozen=True)
class Crew:
    """Everything on the crew lead's view.

    ``todo`` is None where nobody asked what to shoot again; ``untested`` names ties that
    nothing has proved, ``unchecked`` counts points. The first ``most_reasons`` stand in front.
    """

    answer: str
    shape: str
    reasons: tuple[str, ...]
    most_reasons: int
    setups: tuple[CrewRow, ...]
    setups_note: str
    joints: tuple[CrewRow, ...]
    joints_note: str
    mistakes: tuple[MistakeRow, ...]
    mistakes_note: str
    failing: tuple[Sentence, ...]
    failing_note: str
    falls: tuple[FallSentence, ...]
    falls_note: str
    untested: str
    unchecked: str
    todo: tuple[str, ...] | None


def crew_view(site: Reconciliation) -> Crew:
    """Return the crew lead's view of a site."""
    verdicts = texts(site.ties, "verdict")
    fails = _worst_first(site.ties, [row for row, word in enumerate(verdicts) if word == "fails"])
    open_ = [row for row, word in enumerate(verdicts) if word == "untested"]
    setups, answered = _setups(site), () if site.answer is None else site.answer.joints
    mistakes = [
        finding
        for finding in site.findings
        if finding.severity in ("stop", "check") and finding.kind != "fall"
    ]
    falls = tuple(failing_falls(site))
    answer, shape = _answer(site)
    first = "what does not tie"
    return Crew(
        answer=answer,
        shape=shape,
        reasons=tuple(_reasons(site, Counter(verdicts))),
        most_reasons=MOST_REASONS,
        setups=tuple(setups[:MOST_ROWS]),
        setups_note=left_out(MOST_ROWS, len(setups), "setups", "setups.csv", first),
        joints=tuple(_joints(site.answer)),
        joints_note=left_out(MOST_ROWS, len(answered), "joints", first=first),
        mistakes=tuple(
            MistakeRow(verdict_of(finding.severity), finding.says, finding.confirm)
            for finding in mistakes[:MOST_SENTENCES]
        ),
        mistakes_note=left_out(
            MOST_SENTENCES, len(mistakes), "mistakes", "findings.json", "the worst"
        ),
        failing=tuple(
            Sentence(tie_words(site, row, over_only=True), str(site.ties["point"][row]))
            for row in fails[:MOST_SENTENCES]
        ),
        failing_note=left_out(MOST_SENTENCES, len(fails), "failing ties", "ties.csv", "the worst"),
        falls=falls[:MOST_SENTENCES],
        falls_note=left_out(MOST_SENTENCES, len(falls), "falls that fail", "falls.csv"),
        untested=_untested(site.ties, open_),
        unchecked=_unchecked(site.coordinates),
        todo=site.todo,
    )


def _answer(site: Reconciliation) -> tuple[str, str]:
    """Return the answer and its shape; what is not proved is never called good."""
    if site.verdict.word == TIED:
        falls = site.verdict.beside
        what = "bays" if length(site.setups) else lists_alone(site.run.get("lists") or ())
        shape = BAD if site.verdict.fails_beside else OPEN
        return (f"The {what} tie, but {falls}.", shape) if falls else (f"The {what} tie.", GOOD)
    if site.verdict.word == UNPROVED:
        return "Not proved yet.", OPEN
    return "Do not build on it yet.", BAD


def _reasons(site: Reconciliation, ties: Counter[str]) -> Iterator[str]:
    """Say in short sentences what the answer rests on."""
    setups = counted(length(site.setups), "setup")
    if site.answer is not None and site.answer.odd:
        yield f"{site.answer.odd} is the odd one{site.answer.doubt}."
    if ties.total():
        yield f"{setups}. {ties['ties']:,} of {counted(ties.total(), 'tie')} hold{_limits(site)}."
    elif not length(site.setups):
        lists = lists_alone(site.run.get("lists") or ())
        yield f"{lists.capitalize()} alone, {counted(site.summary.minimal.dof, 'check')}."
    else:
        yield f"{setups}, and no mark shared between them: there are no ties to test."
    for reason in site.verdict.reasons:
        yield f"{reason[:1].upper()}{reason[1:]}."
    if ties["untested"]:
        yield f"{counted(ties['untested'], 'tie')} not proved either way."


def _limits(site: Reconciliation) -> str:
    """Return the limits in words, where the ties have one pair of them."""
    lengths, words = Lengths(site.job.length_unit), []
    for word, column in (("in plan", "limit_horizontal"), ("in height", "limit_elevation")):
        values = {value for value in numbers(site.ties, column).tolist() if math.isfinite(value)}
        if len(values) == 1:
            words.append(f"{lengths.said(values.pop())} {word}")
    return f" within {' and '.join(words)}" if words else ""


def _setups(site: Reconciliation) -> list[CrewRow]:
    """Return a row for each setup, what does not tie first."""
    setups, answer = site.setups, site.answer
    geometry = dict(zip(texts(setups, "setup"), texts(setups, "geometry"), strict=True))
    if answer is not None:
        parts = sorted(answer.setups, key=lambda part: URGENCY.get(part.verdict, 2))
        return [_setup(part, answer, geometry.get(part.setup, "")) for part in parts]
    rows = sorted(
        zip(*(texts(setups, name) for name in ("setup", "station", "verdict")), strict=True),
        key=lambda row: URGENCY.get(row[2], 2),
    )
    return [
        CrewRow(name, name, stand_words(station), verdict_of(verdict), (), _weak(geometry[name]))
        for name, station, verdict in rows
    ]


def _setup(part: SetupAnswer, answer: TieAnswer, geometry: str) -> CrewRow:
    lengths, limits = Lengths(answer.length_unit), answer.limits
    factor = length_factor(answer.length_unit)
    plan, height = part.plan / factor, part.height / factor
    measures = (
        _measure(
            "Plan", lengths.said(plan), plan, limits.horizontal / factor, part.plan_at, lengths
        ),
        _measure(
            "Height",
            lengths.height(height),
            height,
            limits.elevation / factor,
            part.height_at,
            lengths,
        ),
    )
    where = (
        f"{stand_words(part.station)}: {part.words}" if part.words else stand_words(part.station)
    )
    told = part.verdict in ("unproved", "untested")  # then the words say it
    remark = "" if told else _weak(geometry)
    return CrewRow(
        part.setup, part.setup, where, verdict_of(part.judged), _defined(measures), remark
    )


def _joints(answer: TieAnswer | None) -> list[CrewRow]:
    """Return a row for each joint that is shown, what does not tie first."""
    if answer is None:
        return []
    parts = sorted(answer.joints, key=lambda part: URGENCY.get(part.verdict, 2))
    return [_joint(part, answer) for part in parts[:MOST_ROWS]]


def _joint(part: JointAnswer, answer: TieAnswer) -> CrewRow:
    lengths, factor = Lengths(answer.length_unit), length_factor(answer.length_unit)
    plan, height, far = part.plan / factor, part.height / factor, part.far / factor
    most, rise = answer.limits.horizontal / factor, answer.limits.elevation / factor
    side = lengths.height(height)
    measures = (
        _measure("Plan", lengths.said(plan), plan, most, "", lengths),
        _far_end(part, _measure("Far end", lengths.said(far), far, most, part.far_at, lengths)),
        _measure("Height", side and f"{part.second} {side}", height, rise, "", lengths),
    )
    return CrewRow(
        name=f"{part.first} to {part.second}",
        setup="",
        where=listed(part.strings, MOST_NAMES),
        verdict=verdict_of(part.verdict),
        measures=_defined(measures),
        remark="" if part.verdict == "ties" and _defined(measures) else part.words,
    )


def _far_end(part: JointAnswer, measure: Measure | None) -> Measure | None:
    """Do not call what is carried to the far end off where the joint ties: it is scatter there."""
    if measure is None or not measure.over or part.verdict != "ties":
        return measure
    return replace(measure, over=False, limit=f"{measure.limit}, within the scatter")


def _measure(
    label: str, says: str, value: float, limit: float, point: str, lengths: Lengths
) -> Measure | None:
    """Return a difference against its limit, None where it is not defined."""
    if not math.isfinite(value):
        return None
    share = abs(value) / limit if limit > 0 else 0.0
    percent = round(min(share / FULL_GAUGE, 1.0) * 100.0, 1)
    return Measure(label, says, lengths.said(limit), percent, share > 1.0, point)


def _defined(measures: Sequence[Measure | None]) -> tuple[Measure, ...]:
    return tuple(measure for measure in measures if measure is not None)


def _weak(geometry: str) -> str:
    word = GEOMETRY_WORDS.get(geometry)
    return word.brief if word else geometry


def _worst_first(ties: Table, rows: Sequence[int]) -> list[int]:
    """Sort ties by how much of its limit the worse of plan and height uses."""
    used = dict.fromkeys(rows, 0.0)
    for part in ("horizontal", "elevation"):
        difference, limit = numbers(ties, f"d_{part}"), numbers(ties, f"limit_{part}")
        for row in rows:
            if math.isfinite(difference[row]) and limit[row] > 0:
                used[row] = max(used[row], abs(float(difference[row])) / float(limit[row]))
    return sorted(rows, key=lambda row: -used[row])


def _untested(ties: Table, rows: Sequence[int]) -> str:
    if not rows:
        return ""
    names = [f"{ties['point'][row]} from {ties['setup'][row]}" for row in rows]
    return f"Not proved either way: {listed(names, MOST_NAMES)}."


def _unchecked(coordinates: Table) -> str:
    """Say how many points nothing checks: someone may dig or pave by one of them."""
    proof = np.asarray(coordinates["proof"], dtype=object)
    number = int(np.count_nonzero(proof == "unchecked"))
    if not number:
        return ""
    return (
        f"Nothing checks {number:,} of {counted(length(coordinates), 'point')}: "
        "a mistake there would not show."
    )
