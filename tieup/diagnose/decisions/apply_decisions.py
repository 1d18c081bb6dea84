"""Carry out a person's decisions, diagnose what is left, and say what came of each.

accept applies the cure of a finding; keep puts what the finding left out back as it was booked.
Both name a finding of the diagnosis without them, so that ids survive the decisions.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Prepared
from tieup.diagnose.decisions.decided_words import (
    BEYOND,
    GONE,
    LEFT_IN,
    SPOILS,
    WITHIN,
    accepted_finding,
    kept_finding,
)
from tieup.diagnose.decisions.edits import Decided, Effect, apply_edits, scatter_of
from tieup.diagnose.decisions.reinstate import with_kept
from tieup.diagnose.decisions.report import Reporter
from tieup.diagnose.decisions.unmatched_decisions import refusals
from tieup.diagnose.kinds.catalogue import kind_of, stays_in
from tieup.diagnose.search.diagnose import Diagnosis, diagnose, weighed
from tieup.diagnose.search.job_constant import with_job_constant
from tieup.errors import ConfigError
from tieup.model.decision import Decision
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.settings import Tolerances


@dataclass(frozen=True)
class Outcome:
    """What the diagnosis came to, with a person's decisions carried out."""

    decided: Decided
    diagnosis: Diagnosis
    findings: tuple[Finding, ...]


Tell = Callable[[Outcome], Sequence[Finding]]
Steps = Callable[[Diagnosis], Sequence[Mistake]]


def decide_and_diagnose(
    case: Case,
    fieldbook: Fieldbook,
    decisions: Sequence[Decision],
    reporter: Reporter,
    limits: Tolerances,
    every_finding: Tell = lambda outcome: outcome.findings,
    prepared: Prepared | None = None,
    string_steps: Steps = lambda diagnosis: (),
) -> Outcome:
    """Carry out the decisions and diagnose what is left.

    ``limits`` are those of a tie: what is kept beyond them does not tie. ``every_finding`` returns
    all findings of an outcome, for the message about a decision that names none of them.
    ``prepared`` is what stands ready of the case. ``string_steps`` returns the steps in strings
    that a diagnosis leaves to be settled.

    Raises
    ------
    ConfigError
        A decision matches nothing, or names a finding that no decision settles.
    """
    decided = apply_edits(case, fieldbook, decisions)
    first = _diagnosed(decided.case, string_steps, prepared)
    mistakes = {reporter.finding(mistake).id: mistake for mistake in everything(first)}
    undecided = Outcome(decided, first, tuple(reporter.finding(m) for m in everything(first)))
    named = [decision for decision in decisions if decision.finding]
    if not named:
        return undecided
    unknown = [decision for decision in named if decision.finding not in mistakes]
    if unknown:
        raise ConfigError(*refusals(unknown, every_finding(undecided), decisions, decided.case))
    _refuse_untold(named, undecided.findings)
    return _settled(undecided, named, mistakes, reporter, limits, string_steps)


def _refuse_untold(named: Sequence[Decision], findings: Sequence[Finding]) -> None:
    """Refuse to accept what has more than one cure: a step in a string of nobody knows whose pole.

    Raises
    ------
    ConfigError
        Naming the cures to choose from.
    """
    untold = {finding.id: finding for finding in findings if not finding.acceptable}
    problems = [
        f"job.yaml:{decision.line}: decision accept names finding {decision.finding} "
        f"({untold[decision.finding].kind}), which has more than one cure. Choose: "
        f"{untold[decision.finding].cure}"
        for decision in named
        if decision.verb == "accept" and decision.finding in untold
    ]
    if problems:
        raise ConfigError(*problems)


def _diagnosed(case: Case, string_steps: Steps, prepared: Prepared | None = None) -> Diagnosis:
    """Diagnose a case, with what its cures propose and the steps in its strings."""
    diagnosis = with_job_constant(diagnose(case, prepared))
    return replace(
        diagnosis,
        mistakes=tuple(kind_of(one).proposed(case, one) for one in diagnosis.mistakes),
        kept=(*diagnosis.kept, *string_steps(diagnosis)),
    )


def everything(diagnosis: Diagnosis) -> tuple[Mistake, ...]:
    """Return all mistakes of a diagnosis, taken out or not."""
    return (*diagnosis.mistakes, *diagnosis.kept)


def _settled(
    undecided: Outcome,
    named: Sequence[Decision],
    mistakes: Mapping[str, Mistake],
    reporter: Reporter,
    limits: Tolerances,
    string_steps: Steps,
) -> Outcome:
    """Return the outcome with findings accepted and kept."""
    decided, effects = undecided.decided, list(undecided.decided.effects)
    cured, settled = decided.case, []
    for decision in named:
        mistake, before = mistakes[decision.finding], scatter_of(cured)
        if decision.verb == "accept":
            cured = kind_of(mistake).cured(cured, mistake)
        effect = Effect(decision, len(mistake.rows), before, scatter_of(cured))
        effects.append(effect)
        if decision.verb == "accept":
            settled.append(accepted_finding(reporter, mistake, effect))
    diagnosis = undecided.diagnosis
    if settled:
        diagnosis = _diagnosed(cured, string_steps)
    kept = [decision for decision in named if decision.verb == "keep"]
    diagnosis, fates = _kept(diagnosis, cured, kept, reporter, limits)
    settled += [
        kept_finding(reporter, mistakes[decision.finding], decision, fates[decision.finding])
        for decision in kept
    ]
    done = {finding.id for finding in settled}
    rest = (reporter.finding(mistake) for mistake in everything(diagnosis))
    findings = (*(finding for finding in rest if finding.id not in done), *settled)
    return Outcome(replace(decided, case=cured, effects=tuple(effects)), diagnosis, findings)


def _kept(
    diagnosis: Diagnosis,
    cured: Case,
    kept: Sequence[Decision],
    reporter: Reporter,
    limits: Tolerances,
) -> tuple[Diagnosis, dict[str, str]]:
    """Put back what is kept; return the diagnosis with it and the fate of each finding by id."""
    wanted = {decision.finding for decision in kept}
    found = {reporter.finding(mistake).id: mistake for mistake in everything(diagnosis)}
    found = {name: mistake for name, mistake in found.items() if name in wanted}
    stated, back = with_kept(diagnosis.stated, cured, list(found.values()))
    fates = dict.fromkeys(wanted, GONE)
    for name, mistake in found.items():
        if not any(mistake is one for one in back):
            fates[name] = SPOILS
        elif kind_of(mistake).beyond(mistake, cured, limits):
            fates[name] = BEYOND
        else:
            fates[name] = LEFT_IN if stays_in(mistake) else WITHIN
    if not back:
        return diagnosis, fates
    return replace(diagnosis, stated=stated, solved=weighed(stated, diagnosis.scatter)), fates
