"""Doubts about a whole job or file that a person may answer: it is right as it stands.

Such a finding is no single mistake, so nothing can be put back or cured here; ``keep`` with
its reason makes it a note.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.diagnose.decisions.edits import Effect
from tieup.errors import ConfigError
from tieup.model.decision import Decision
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import JOB_UNIT, MISSING_COLUMN, UNUSUAL_POLE, UNUSUAL_TRIPOD

BEYOND = "beyond"  # what tells these apart from single mistakes of their kinds


def keep_line(finding: Finding) -> str:
    """Return the words that tell how a doubt is answered."""
    return f"say so: decisions: {{keep: {finding.id}, reason: ...}}"


def doubts(fieldbook: Fieldbook) -> Iterator[str]:
    """Give the id of every doubt that the job could raise."""
    yield JOB_UNIT.id_of(key="heights")
    yield JOB_UNIT.id_of(key="constants")
    yield MISSING_COLUMN.id_of(key="target_height")
    for file in fieldbook.files:
        yield UNUSUAL_POLE.id_of(key=f"{BEYOND} {file.name}")
    for setup in fieldbook.setups:
        yield UNUSUAL_TRIPOD.id_of(setup.label, (setup.station,), BEYOND)


def answers(decisions: Sequence[Decision], fieldbook: Fieldbook) -> tuple[Decision, ...]:
    """Return the decisions that answer a doubt; the others are about single mistakes."""
    ids = set(doubts(fieldbook))
    return tuple(d for d in decisions if d.verb == "keep" and d.finding in ids)


def others(decisions: Sequence[Decision], fieldbook: Fieldbook) -> tuple[Decision, ...]:
    """Return the decisions that answer no doubt."""
    answered = answers(decisions, fieldbook)
    return tuple(decision for decision in decisions if decision not in answered)


def with_answers(
    findings: Iterable[Finding], decisions: Sequence[Decision], fieldbook: Fieldbook
) -> tuple[Finding, ...]:
    """Return the findings, those that a person answered as notes with the reason.

    Raises
    ------
    ConfigError
        A decision answers a doubt that the job does not raise (any more).
    """
    by_id = {finding.id: finding for finding in findings}
    problems = []
    for decision in answers(decisions, fieldbook):
        if decision.finding not in by_id:
            problems.append(
                f"job.yaml:{decision.line}: decision keep names finding {decision.finding}, which "
                "this job does not have (any more). Take the decision out"
            )
            continue
        doubt = by_id[decision.finding]
        told = f"{doubt.says} Kept: {decision.reason}."
        by_id[decision.finding] = replace(doubt, severity="note", action="kept", says=told, cure="")
    if problems:
        raise ConfigError(*problems)
    return tuple(by_id.values())


def answer_effects(decisions: Sequence[Decision], fieldbook: Fieldbook) -> tuple[Effect, ...]:
    """Return what the answers did: nothing to any row."""
    return tuple(Effect(d, 0, np.nan, np.nan) for d in answers(decisions, fieldbook))
