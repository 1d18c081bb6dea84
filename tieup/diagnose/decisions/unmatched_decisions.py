"""A decision that names a finding which is not there, or which no decision settles."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from itertools import islice

from tieup.diagnose.basis.case import Case
from tieup.diagnose.kinds.catalogue import KINDS
from tieup.model.decision import Decision
from tieup.model.finding import Finding, finding_id, worst_first
from tieup.sentences import clauses

MOST = 10  # findings that a message lists
TYPED = 0.7  # likeness of two ids from which one may be the other mistyped
MOST_GUESSES = 200_000  # subjects that an id is compared with
EDITS = ("exclude", "set", "rename")


def refusals(
    unknown: Sequence[Decision],
    findings: Sequence[Finding],
    decisions: Sequence[Decision],
    case: Case,
) -> list[str]:
    """Return a message for each decision that cannot be carried out.

    Parameters
    ----------
    unknown
        Decisions that name no finding that can be decided.
    findings
        All findings of the job with every other edit carried out.
    decisions
        All decisions of the job.
    case
        The job as it is, for its names.
    """
    here = {finding.id: finding for finding in findings}
    return [
        _undecidable(decision, here[decision.finding])
        if decision.finding in here
        else _stale(decision, findings, decisions, case)
        for decision in unknown
    ]


def _undecidable(decision: Decision, finding: Finding) -> str:
    """Say that a finding is not one of those that a decision settles."""
    return (
        f"job.yaml:{decision.line}: decision {decision.verb} names finding {finding.id} "
        f"({_about(finding)}), which no decision can settle: it has no cure that can be applied "
        f"here. {finding.cure or finding.says} Then take the decision out"
    )


def _stale(
    decision: Decision, findings: Sequence[Finding], decisions: Sequence[Decision], case: Case
) -> str:
    """Say which findings there are, the nearest kind first, and what became of the one named."""
    was = _subject(decision.finding, case)
    named = f" ({' '.join(filter(None, was))})" if was else ""
    decidable = [finding for finding in worst_first(list(findings)) if finding.decidable]
    nearest = sorted(decidable, key=lambda f: -_nearness(decision.finding, was, f))
    told = clauses([f"{f.id} {_about(f)}" for f in nearest], MOST, " in report.html") or "none"
    return (
        f"job.yaml:{decision.line}: decision {decision.verb} names finding {decision.finding}"
        f"{named}, which this job does not have (any more). Findings to decide about: "
        f"{told}. {_cause(decision, nearest, decisions)}"
    )


def _cause(decision: Decision, nearest: Sequence[Finding], decisions: Sequence[Decision]) -> str:
    """Say what most likely became of the finding, and what to do."""
    for finding in nearest:
        if _alike(decision.finding, finding.id) >= TYPED:
            return f"Did you mean {finding.id}?"
    edits = [other for other in decisions if other.verb in EDITS]
    if edits:
        lines = ", ".join(f"{other.verb} on line {other.line}" for other in edits[:3])
        return (
            f"Most likely another decision already settles it ({lines}), or the raw data or "
            "control have changed since: take this decision out, or name one of these"
        )
    return (
        "Most likely the raw data, control or job.yaml have changed since it was written: take the "
        "decision out, or name one of these"
    )


def _about(finding: Finding) -> str:
    """Return the kind of a finding and what it is about."""
    where = [finding.setup, *finding.points[:4]]
    return " ".join([finding.kind, *filter(None, where)])


def _alike(one: str, other: str) -> float:
    return SequenceMatcher(None, one.lower(), other.lower()).ratio()


def _nearness(name: str, was: tuple[str, str] | None, finding: Finding) -> float:
    """Return how near a finding is to the one that an id named: by kind, subject, letters."""
    score = _alike(name, finding.id)
    if was is not None:
        score += 4.0 * (finding.kind == was[0])
        score += 2.0 * bool(set(was[1].split()) & {finding.setup, *finding.points})
    return score


def _subject(name: str, case: Case) -> tuple[str, str] | None:
    """Return kind and subject behind an id, where the names of the job make it again."""
    for kind, *about in islice(_guesses(case), MOST_GUESSES):
        setup, *points = about
        if finding_id(kind, setup, points) == name:
            return kind, " ".join(filter(None, about))
    return None


def _guesses(case: Case) -> Iterator[tuple[str, ...]]:
    """Give kind, setup and points of the plainest findings that the job could have."""
    labels = ["", *(setup.label for setup in case.setups)]
    for kind in KINDS:
        for setup in labels:
            yield kind, setup
            yield from ((kind, setup, point) for point in case.points)
