"""The judging of a solved site: what it proves, how its bays stand, what is found in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.adjust.pointings import PointingTests, examine_pointings
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.predict import misfit, predicted
from tieup.diagnose.basis.solve import Prepared, Solved, minimal_fit
from tieup.diagnose.decisions.apply_decisions import Outcome
from tieup.diagnose.decisions.report import Reporter
from tieup.diagnose.kinds.catalogue import KINDS, thing
from tieup.diagnose.names.copied_setups import copied_setups
from tieup.diagnose.names.identity import identity_findings
from tieup.diagnose.proof.disputes import find_disputes
from tieup.diagnose.proof.precision import (
    precision_findings,
    run_components,
    scatter_findings,
    scattering_more,
)
from tieup.diagnose.proof.proving import Proven, prove
from tieup.diagnose.proof.scatter_causes import causes_of_scatter
from tieup.diagnose.row_checks.doubts import with_answers
from tieup.diagnose.row_checks.missing_columns import after_the_file
from tieup.diagnose.row_checks.reach import hanging_marks, reach_findings, setups_left_out
from tieup.diagnose.row_checks.rejected_sets import weather_findings
from tieup.diagnose.row_checks.row_checks import row_findings
from tieup.diagnose.row_checks.unusual_values import told_once
from tieup.diagnose.search.diagnose import Diagnosis
from tieup.diagnose.search.string_steps import step_mistakes
from tieup.model.answer import Promise
from tieup.model.arrays import BoolArray
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import STRING_STEP, Finding
from tieup.model.job import Job
from tieup.model.observations import DISTANCE
from tieup.model.settings import Tolerances
from tieup.preanalysis.proving_shots import proving_shots
from tieup.reduce.sights import reduce_shots
from tieup.results.control_scale import with_control_scale
from tieup.results.disputed_places import with_places
from tieup.results.remarks import flags, reasons
from tieup.results.site import Fits, Site
from tieup.ties.suspects import Suspects
from tieup.ties.tie_checks import CheckedSolution, Checks, check_site, loose_steps
from tieup.ties.withheld import WithheldTies, withheld_ties

OF_MARKS = frozenset(name for name, kind in KINDS.items() if kind.of_mark)
FAR_OFF = 0.3  # m; a left-out shot this far off is shown as a finding, not as a tie


def judge_site(
    job: Job,
    fieldbook: Fieldbook,
    outcome: Outcome,
    prepared: Prepared | None,
    reporter: Reporter,
) -> tuple[Site, Checks, tuple[Finding, ...], tuple[Promise, ...]]:
    """Judge the solution of an outcome: the site, its checks, and the findings so far.

    Last, what further shots would prove.
    """
    diagnosis = outcome.diagnosis
    solved, proven = diagnosis.solved, prove(diagnosis)
    tests = replace(_tests(solved, solved.adjustment), mdb=proven.mdb)
    by_control = solved.case.datum.kind == "control"
    minimal = minimal_fit(solved) if by_control else None
    excluded = ~solved.case.use & ~fieldbook.shots.repeated[:, None]
    withheld = _withheld(solved, excluded & ~outcome.decided.excluded)
    solution = _solution(job, outcome, minimal, tests, withheld, proven)
    checks = check_site(solution, job.tolerances)
    phrases = Phrases(job.length_unit)
    disputes = find_disputes(solved, outcome.decided.case, diagnosis.mistakes, job.tolerances)
    reported = with_places(outcome.findings, reporter, disputes, job.length_unit)
    findings = _findings(job, fieldbook, replace(outcome, findings=reported), phrases)
    findings = with_control_scale(findings, checks, solved.case.precision.grid, phrases)
    site = Site(
        job=job,
        fieldbook=fieldbook,
        solved=solved,
        minimal=minimal,
        tests=tests,
        ties=checks.evidence.ties,
        judgement=checks.ties,
        excluded=excluded,
        reason=reasons(fieldbook, solved, excluded, outcome.decided.excluded, findings),
        geometry=checks.evidence.geometry,
        flags=flags(outcome.findings),
        proven=proven,
        fits=_fits(diagnosis.stated, prepared),
        disputes=disputes,
    )
    return (
        site,
        checks,
        findings,
        proving_shots(diagnosis.stated, diagnosis.scatter, solution, checks),
    )


def string_steps(diagnosis: Diagnosis, limits: Tolerances) -> tuple[Mistake, ...]:
    """Return the steps in strings that a diagnosis leaves to be settled."""
    solved = diagnosis.solved
    steps = loose_steps(solved.adjustment, solved.case.shots, limits)
    return step_mistakes(solved.case, steps)


def _fits(stated: Solved, prepared: Prepared | None) -> Fits:
    """Return how the final data fit the gear as it is stated."""
    held = _tests(stated, stated.adjustment)
    if stated.case.datum.kind != "control":
        return Fits(held, None, (stated.adjustment.iterations, 0))
    minimal = minimal_fit(stated, prepared)
    if minimal is None:
        return Fits(held, None, (stated.adjustment.iterations, 0))
    counts = (minimal.iterations, stated.adjustment.iterations)
    return Fits(_tests(stated, minimal), held, counts)


def _tests(solved: Solved, adjustment: Adjustment) -> PointingTests:
    return examine_pointings(adjustment, solved.network.sights, solved.reduction.pointings)


def _solution(
    job: Job,
    outcome: Outcome,
    minimal: Adjustment | None,
    tests: PointingTests,
    withheld: WithheldTies | None,
    proven: Proven,
) -> CheckedSolution:
    solved = outcome.diagnosis.solved
    guarded = proven.guarded
    return CheckedSolution(
        held=solved.adjustment,
        minimal=minimal,
        shots=solved.case.shots,
        sights=solved.network.sights,
        pointings=solved.reduction.pointings,
        tests=tests,
        precision=solved.case.precision,
        refraction=job.refraction,
        confidence=job.confidence,
        withheld=withheld,
        careful=proven.careful,
        guards=proven.guards,
        words=() if guarded is None else tuple(thing(h) for h in guarded.hypotheses),
        freedom=proven.certainty.setup,
        suspects=_suspects(solved, outcome.findings),
    )


def _suspects(solved: Solved, findings: Sequence[Finding]) -> Suspects:
    """Return the setups and points that a named mistake, or one that was kept, speaks of."""
    spoken = [f for f in findings if f.severity == "stop" or f.action == "kept"]
    setups = {f.setup for f in spoken}
    points = {name for f in spoken if not f.setup or f.kind in OF_MARKS for name in f.points}
    network = solved.network
    return Suspects(
        np.array([label.split("~")[0] in setups for label in network.setup_labels], dtype=bool),
        np.array([name.split("@")[0] in points for name in network.point_names], dtype=bool),
    )


def _withheld(solved: Solved, left_out: BoolArray) -> WithheldTies | None:
    """Return what left-out readings would say about the ties, None where there are none."""
    case = solved.case
    reduction = reduce_shots(case.shots, case.setups, case.precision, left_out)
    sights = reduction.sights
    reached = np.isfinite(solved.adjustment.axis[sights.setup, 0])
    reached &= np.isfinite(solved.adjustment.position[sights.point, 0])
    value = np.where(reached[:, None], sights.value, np.nan)
    off = misfit(sights, solved.adjustment, case.refraction)
    away = np.abs(predicted(sights, solved.adjustment, case.refraction)[:, DISTANCE])
    at_target = np.abs(off) * np.column_stack([away, away, np.ones(len(away))])
    # What is metres off is no tie to be measured: its finding says what it is.
    value[np.nan_to_num(at_target).max(axis=1) > FAR_OFF] = np.nan
    if not np.isfinite(value).any():
        return None
    sights = replace(sights, value=value)
    return withheld_ties(solved.adjustment, sights, case.precision, case.refraction)


def _findings(
    job: Job, fieldbook: Fieldbook, outcome: Outcome, phrases: Phrases
) -> tuple[Finding, ...]:
    """Return the single mistakes and the findings that are none.

    A setup that is not reached is left out where a mistake in it is reported already.
    """
    solved = outcome.diagnosis.solved
    named = {finding.setup for finding in outcome.findings if finding.severity == "stop"}
    kept = [f.id for f in outcome.findings if f.action == "kept" and f.kind != STRING_STEP]
    out = setups_left_out(solved.case, outcome.decided.excluded)
    scatter = outcome.diagnosis.scatter
    why = causes_of_scatter(outcome.diagnosis.stated, scatter, scattering_more(scatter))
    more = (
        *scatter_findings(scatter, job.precision, kept, why, phrases),
        *(f for f in reach_findings(solved.network, out) if not f.setup or f.setup not in named),
        *hanging_marks(solved.network),
        *row_findings(fieldbook, solved, phrases),
        *identity_findings(solved),
        *copied_setups(solved.case),
        *precision_findings(run_components(solved.adjustment), kept),
        *weather_findings(solved.case),
    )
    findings = told_once(after_the_file((*outcome.findings, *more), fieldbook))
    return with_answers(findings, job.decisions, fieldbook)
