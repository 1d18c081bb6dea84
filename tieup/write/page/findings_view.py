"""Findings on the page: the evidence, what else it could be, and the lines that decide it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from tieup.model.finding import Finding, Rival
from tieup.sentences import listed
from tieup.write.documents import SPREAD_DIGITS, decision_line, significant, told_size
from tieup.write.page.wording import Verdict, verdict_of

MOST_LINES = 12


@dataclass(frozen=True)
class RivalView:
    """Another explanation and whether the data can tell it from the one named."""

    what: str
    says: str


@dataclass(frozen=True)
class FindingView:
    """A finding with its evidence and the lines a person pastes to decide it."""

    id: str
    kind: str
    severity: Verdict
    about: str
    points: tuple[str, ...]
    says: str
    evidence: tuple[tuple[str, str], ...]
    rivals: tuple[RivalView, ...]
    confirm: str
    cure: str
    decisions: tuple[tuple[str, str], ...]


def finding_view(finding: Finding) -> FindingView:
    """Return a finding as the page shows it."""
    return FindingView(
        id=finding.id,
        kind=finding.kind.replace("-", " "),
        severity=verdict_of(finding.severity),
        about=f"setup {finding.setup}" if finding.setup else "",
        points=finding.points[:MOST_LINES],
        says=finding.says,
        evidence=tuple(_evidence(finding)),
        rivals=tuple(_rival(rival) for rival in finding.rivals),
        confirm=finding.confirm,
        cure=finding.cure,
        decisions=tuple(_decisions(finding)),
    )


def _evidence(finding: Finding) -> Iterator[tuple[str, str]]:
    """Return what speaks for a finding, as label and text."""
    size, sd = told_size(finding.size, finding.sd), significant(finding.sd, SPREAD_DIGITS)
    if size is not None:
        spread = f", 1 sd {sd:g}" if sd else ""
        yield "Size, raw minus right", f"{size:.10g} {finding.unit}".rstrip() + spread
    if finding.statistic is not None and math.isfinite(finding.statistic):
        yield "Stands out", f"{times(finding.statistic)} its own sd"
    if finding.action:
        yield "Done so far", finding.action
    if finding.lines:
        yield "Raw rows", listed(finding.lines, MOST_LINES)


def _rival(rival: Rival) -> RivalView:
    marks = ", ".join(rival.points[:MOST_LINES])
    about = " to ".join(filter(None, [rival.setup, marks]))
    kind = rival.kind.replace("-", " ")
    known = math.nan if rival.statistic is None else rival.statistic
    fit = f" ({times(known)} its own sd)" if math.isfinite(known) else ""
    says = "the readings speak against it" if rival.separable else "the readings cannot tell"
    return RivalView(f"{kind}, {about}" if about else kind, says + fit)


def times(statistic: float) -> str:
    """Return how many times something is: 4.1 times, 1,240 times."""
    return f"{statistic:,.1f} times" if statistic < 100 else f"{statistic:,.0f} times"


def _decisions(finding: Finding) -> Iterator[tuple[str, str]]:
    """Return the lines for ``decisions:`` in job.yaml that settle a finding.

    Only mistakes that were named can be, and only where no person has decided yet.
    """
    if not finding.decidable:
        return
    if finding.acceptable:
        yield "to apply the cure", decision_line("accept", finding.id)
    left_in = finding.action == "left in"
    told = "to leave it as it is" if left_in else "to put it back as it was booked"
    yield told, decision_line("keep", finding.id)
