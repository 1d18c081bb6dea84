"""What a finding says once a person has decided about it: what was done, and its effect."""

from __future__ import annotations

import math
from dataclasses import replace

from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.decisions.edits import Effect
from tieup.diagnose.decisions.report import Reporter, wrong_or
from tieup.model.decision import Decision
from tieup.model.finding import Finding

WITHIN, BEYOND, SPOILS, GONE, LEFT_IN = "within", "beyond", "spoils", "gone", "left in"
"""What can come of keeping a finding."""

_KEPT = {
    WITHIN: "it stands in the solution as booked, and is within the limits of a tie.",
    BEYOND: "it stands in the solution as booked, and is beyond the limits of a tie: the site does "
    "not tie with it; exclude or accept it instead.",
    SPOILS: "put back as booked it would throw the site apart, so it is still left out: the site "
    "does not tie with it; exclude or accept it instead.",
    GONE: "it stands in the solution as booked, and does not stand out any more with what else was "
    "decided.",
    LEFT_IN: "it stays in the solution as booked.",
}


def accepted_finding(reporter: Reporter, mistake: Mistake, effect: Effect) -> Finding:
    """Return the finding of a mistake whose cure a person accepted."""
    text, decision = reporter.text(mistake), effect.decision
    return replace(
        reporter.finding(mistake),
        severity="note",
        action="accepted",
        decidable=False,
        says=f"{text.wrong}. Accepted{_by(decision)}: {text.applied}.{_scatter(effect)}",
        confirm="",
        cure=f"Done; to take it back, take line {decision.line} out of job.yaml.",
    )


def kept_finding(reporter: Reporter, mistake: Mistake, decision: Decision, fate: str) -> Finding:
    """Return the finding of a mistake that a person keeps; what does not tie stays open."""
    text, finding = reporter.text(mistake), reporter.finding(mistake)
    ties = fate not in (BEYOND, SPOILS)
    return replace(
        finding,
        severity="note" if ties else finding.severity,
        action=finding.action if fate == SPOILS else "kept",
        decidable=False,
        says=f"{wrong_or(mistake, text)}. Kept{_by(decision)}: {_KEPT[fate]}",
        confirm="" if ties else text.confirm,
        cure=f"Done; to take it back, take line {decision.line} out of job.yaml."
        if ties
        else f"Take line {decision.line} out of job.yaml and accept the finding or exclude its "
        "rows, or shoot again.",
    )


def _by(decision: Decision) -> str:
    who = f" by {decision.by}" if decision.by else ""
    return f"{who} ({decision.reason})"


def _scatter(effect: Effect) -> str:
    """Say what the scatter of the whole site did, nothing where it cannot be computed."""
    if not (math.isfinite(effect.before) and math.isfinite(effect.after)):
        return ""
    return (
        f" The scatter of everything as booked went from {effect.before:.2f} to "
        f"{effect.after:.2f} times the stated."
    )
