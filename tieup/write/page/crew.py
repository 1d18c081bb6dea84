"""The crew lead's view: do the bays tie, which setup is the odd one, what to shoot again.

Read in a truck within a minute or two: the answer first, the trade's words, no statistics.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.page.extras import Extras
from tieup.write.page.grid import left_out, length, numbers, texts
from tieup.write.page.wording import (
    BAD,
    GEOMETRY,
    GOOD,
    Lengths,
    Verdict,
    count,
    listed,
    stand_words,
    tie_words,
    verdict_of,
)

MOST_ROWS, MOST_SENTENCES, MOST_NAMES = 60, 20, 12
FULL_GAUGE = 2.0  # a gauge is full at twice the limit, so that the limit stands in the middle
PLAN = ("Plan", "d_horizontal", "limit_horizontal")
HEIGHT = ("Height", "d_elevation", "limit_elevation")


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
    """A setup or a joint with its verdict, its worst plan and height, and remarks."""

    name: str
    where: str
    verdict: Verdict
    measures: tuple[Measure, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Sentence:
    """What a setup does to a mark, and the mark it speaks of."""

    says: str
    point: str


@dataclass(frozen=True)
class Mistake:
    """What went wrong in the field, how grave it is, and how a person makes sure."""

    severity: Verdict
    says: str
    confirm: str


@dataclass(frozen=True)
class Crew:
    """Everything on the crew lead's view.

    ``todo`` is None where the run has no list of what to shoot again; ``untested`` names ties
    that nothing has proved, ``unchecked`` counts points.
    """

    answer: str
    shape: str
    reasons: tuple[str, ...]
    setups: tuple[CrewRow, ...]
    setups_note: str
    joints: tuple[CrewRow, ...]
    joints_note: str
    mistakes: tuple[Mistake, ...]
    mistakes_note: str
    failing: tuple[Sentence, ...]
    failing_note: str
    untested: str
    unchecked: str
    todo: tuple[str, ...] | None


def crew_view(site: Reconciliation, extras: Extras) -> Crew:
    """Return the crew lead's view of a site."""
    verdicts = texts(site.ties, "verdict")
    fails = _worst_first(site.ties, [row for row, word in enumerate(verdicts) if word == "fails"])
    open_ = [row for row, word in enumerate(verdicts) if word == "untested"]
    setups, joints = list(_setups(site)), list(_joints(extras.joints, site))
    mistakes = [finding for finding in site.findings if finding.severity in ("stop", "check")]
    return Crew(
        answer="Yes, the site ties." if site.status == 0 else "Not yet. The site does not tie.",
        shape=GOOD if site.status == 0 else BAD,
        reasons=tuple(_reasons(site, Counter(verdicts))),
        setups=tuple(setups[:MOST_ROWS]),
        setups_note=left_out(MOST_ROWS, len(setups), "setups", "setups.csv", "what does not tie"),
        joints=tuple(joints[:MOST_ROWS]),
        joints_note=left_out(MOST_ROWS, len(joints), "joints", first="what does not tie"),
        mistakes=tuple(
            Mistake(verdict_of(finding.severity), finding.says, finding.confirm)
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
        untested=_untested(site.ties, open_),
        unchecked=_unchecked(site.coordinates),
        todo=extras.todo,
    )


def _reasons(site: Reconciliation, ties: Counter[str]) -> Iterator[str]:
    """Say in short sentences what the answer rests on; what is not tested is never called good."""
    limits, lengths = _limits(site), count(len(site.setups["setup"]), "setup")
    if not ties.total():
        yield f"{lengths}, and no mark shared between them: there are no ties to test."
        return
    if ties["fails"]:
        yield f"{ties['fails']:,} of {count(ties.total(), 'tie')} do not tie{limits}."
    else:
        yield f"{lengths}. {ties['ties']:,} of {count(ties.total(), 'tie')} tie{limits}."
    if ties["untested"]:
        yield f"{count(ties['untested'], 'tie')} not tested: not proved either way."
    severities = Counter(finding.severity for finding in site.findings)
    if severities["stop"]:
        yield f"{count(severities['stop'], 'thing')} to settle before anyone uses the coordinates."
    if severities["check"]:
        yield f"{count(severities['check'], 'thing')} to check."


def _limits(site: Reconciliation) -> str:
    """Return the limits in words, where the job has one pair of them."""
    lengths, words = Lengths(site.job.length_unit), []
    for word, column in (("in plan", "limit_horizontal"), ("in height", "limit_elevation")):
        values = {value for value in numbers(site.ties, column) if math.isfinite(value)}
        if len(values) == 1:
            words.append(f"{lengths.said(values.pop())} {word}")
    return f" within {' and '.join(words)}" if words else ""


def _setups(site: Reconciliation) -> Iterator[CrewRow]:
    """Return a row for each setup, what does not tie first."""
    setups, lengths = site.setups, Lengths(site.job.length_unit)
    worst = {part[0]: _worst_by_setup(site.ties, part) for part in (PLAN, HEIGHT)}
    rows = sorted(range(length(setups)), key=lambda row: _urgency(str(setups["verdict"][row])))
    for row in rows:
        name = str(setups["setup"][row])
        geometry = str(setups["geometry"][row])
        measures = (
            _measure(site.ties, worst[part[0]].get(name), part, lengths) for part in (PLAN, HEIGHT)
        )
        yield CrewRow(
            name=name,
            where=f"{stand_words(str(setups['station'][row] or ''))}, "
            f"{count(int(setups['ties'][row]), 'tie')}",
            verdict=verdict_of(str(setups["verdict"][row])),
            measures=tuple(measure for measure in measures if measure),
            remarks=tuple(filter(None, [GEOMETRY.get(geometry, geometry)])),
        )


def _urgency(verdict: str) -> int:
    return {"fails": 0, "untested": 1, "ties": 2}.get(verdict, 1)


def _worst_by_setup(ties: Table, part: tuple[str, str, str]) -> dict[str, int]:
    """Return for each setup the tie that uses most of its limit."""
    worst: dict[str, tuple[float, int]] = {}
    shares = _shares(ties, part)
    for row, (setup, share) in enumerate(zip(texts(ties, "setup"), shares, strict=True)):
        if share > worst.get(setup, (-1.0, 0))[0]:
            worst[setup] = (share, row)
    return {setup: row for setup, (_, row) in worst.items()}


def _shares(table: Table, part: tuple[str, str, str]) -> list[float]:
    """Return how much of its limit each difference uses, NaN where undefined."""
    _, difference, limit = part
    pairs = zip(numbers(table, difference), numbers(table, limit), strict=True)
    return [abs(float(d)) / float(lim) if lim > 0 else math.nan for d, lim in pairs]


def _measure(
    table: Table, row: int | None, part: tuple[str, str, str], lengths: Lengths
) -> Measure | None:
    """Return a difference against its limit, None where it is not defined."""
    label, difference, limit = part
    if row is None or not math.isfinite(table[difference][row]):
        return None
    value, most = float(table[difference][row]), float(table[limit][row])
    share = abs(value) / most if most > 0 else 0.0
    return Measure(
        label=label,
        says=lengths.said(value) if part is PLAN else lengths.height(value),
        limit=lengths.said(most),
        percent=round(min(share / FULL_GAUGE, 1.0) * 100.0, 1),
        over=share > 1.0,
        point=str(table["point"][row]) if "point" in table else "",
    )


def _joints(joints: Table | None, site: Reconciliation) -> Iterator[CrewRow]:
    """Return a row for each joint, what does not tie first."""
    if joints is None:
        return
    verdict, lengths = texts(joints, "verdict"), Lengths(site.job.length_unit)
    first, second, name = (texts(joints, column) for column in ("first", "second", "string"))
    remark = texts(joints, "judgement")
    for row in sorted(range(len(verdict)), key=lambda row: _urgency(verdict[row])):
        measures = (_measure(joints, row, part, lengths) for part in (PLAN, HEIGHT))
        yield CrewRow(
            name=name[row] or f"{first[row]} to {second[row]}",
            where=f"{first[row]} to {second[row]}" if name[row] else "",
            verdict=verdict_of(verdict[row]),
            measures=tuple(measure for measure in measures if measure),
            remarks=tuple(filter(None, [remark[row]])),
        )


def _worst_first(ties: Table, rows: Sequence[int]) -> list[int]:
    """Sort ties by how much of its limit the worse of plan and height uses."""
    shares = [_shares(ties, part) for part in (PLAN, HEIGHT)]
    return sorted(rows, key=lambda row: -max(_or_nothing(share[row]) for share in shares))


def _or_nothing(value: float) -> float:
    return value if math.isfinite(value) else 0.0


def _untested(ties: Table, rows: Sequence[int]) -> str:
    if not rows:
        return ""
    names = [f"{ties['point'][row]} from {ties['setup'][row]}" for row in rows]
    return f"Not tested, so not proved: {listed(names, MOST_NAMES)}."


def _unchecked(coordinates: Table) -> str:
    """Say how many points nothing checks: someone may dig or pave by one of them."""
    number = texts(coordinates, "proof").count("unchecked")
    if not number:
        return ""
    return (
        f"Nothing checks {number:,} of {count(length(coordinates), 'point')}: "
        "a mistake there would not show."
    )
