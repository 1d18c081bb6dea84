"""The flow of one run, as one straight function: files in, a reconciliation out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.pointings import PointingTests, examine_pointings
from tieup.adjust.solution import Adjustment
from tieup.config.rules import find_rules, rule_sets
from tieup.diagnose.case import Case, complete_points
from tieup.diagnose.constant import with_job_constant
from tieup.diagnose.decisions import Decided, Effect, apply_edits, cure, scatter_of
from tieup.diagnose.diagnose import Diagnosis, diagnose, signature
from tieup.diagnose.identity import identity_findings
from tieup.diagnose.levels import hanging_marks, run_components
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.precision import components, precision_findings
from tieup.diagnose.predict import misfit, predicted
from tieup.diagnose.reach import reach_findings
from tieup.diagnose.report import Reporter
from tieup.diagnose.rowchecks import row_findings
from tieup.diagnose.scaled import free_of_scaled_control
from tieup.diagnose.sets import reject_sets, weather_findings
from tieup.diagnose.solve import Solved, minimal_fit
from tieup.diagnose.words import Phrases
from tieup.errors import ConfigError
from tieup.model.arrays import BoolArray
from tieup.model.control import Control
from tieup.model.decision import Decision
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding, worst_first
from tieup.model.job import Job
from tieup.model.observations import DISTANCE
from tieup.model.reconciliation import Reconciliation
from tieup.model.rules import Rule
from tieup.read import (
    file_sha256,
    number_links,
    read_booked_links,
    read_control,
    read_fieldbook,
)
from tieup.read.projection import site_grid
from tieup.reduce.distances import prism_constants
from tieup.reduce.sights import reduce_shots
from tieup.results.bays import control_table, joints_table, pairs_table, rules_table
from tieup.results.control_scale import with_control_scale
from tieup.results.coordinates import coordinates_table
from tieup.results.observations import observations_table
from tieup.results.remarks import flags, reasons
from tieup.results.run import effects_record, run_record, summary_of
from tieup.results.setups import setups_table, ties_table
from tieup.results.site import Site
from tieup.results.weaknesses import weakness_findings
from tieup.ties.answer import crew_answer
from tieup.ties.checks import Solution, check_site
from tieup.ties.rules import check_rules
from tieup.ties.verdicts import BAD, LOOSE, TIES
from tieup.ties.withheld import WithheldTies, withheld_ties
from tieup.units import length_factor

FAR_OFF = 0.3  # m; a left-out shot this far off is shown as a finding, not as a tie

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Outcome:
    """What the diagnosis came to, with a person's decisions carried out."""

    decided: Decided
    diagnosis: Diagnosis
    findings: tuple[Finding, ...]


def run(job: Job, progress: Progress | None = None) -> Reconciliation:
    """Reconcile one job.

    ``progress`` is called with the words of each stage.

    Raises
    ------
    TieupError
        Where the data cannot be read, tied or solved.
    """
    tell = progress or (lambda stage: None)
    tell("reading")
    fieldbook = read_fieldbook(job)
    control = read_control(job.control_file, job) if job.control_file else None
    case, rejected = reject_sets(make_case(job, fieldbook, control), fieldbook)
    case, scaled = free_of_scaled_control(case)
    tell("solving and looking for mistakes")
    phrases = Phrases(length_factor(job.length_unit), job.length_unit)
    reporter = Reporter(fieldbook, phrases, case.booked_links)
    outcome = decide_and_diagnose(case, fieldbook, job.decisions, reporter)
    outcome = replace(outcome, findings=(*outcome.findings, *rejected, *scaled))
    tell("judging the ties")
    return _reconciliation(job, fieldbook, outcome, _inputs(job, fieldbook))


def make_case(job: Job, fieldbook: Fieldbook, control: Control | None) -> Case:
    """Return the case of everything that was read, nothing left out but repeated rows."""
    booked = read_booked_links(job)
    named = complete_points(fieldbook.points, fieldbook.setups, control)
    points, links = number_links(booked, named)
    precision = replace(job.precision, grid=site_grid(job.grid, control))
    constant = prism_constants(fieldbook.shots, fieldbook.setups, precision)
    return Case(
        shots=replace(fieldbook.shots, prism_constant=constant),
        setups=fieldbook.setups,
        points=points,
        use=np.repeat(~fieldbook.shots.repeated[:, None], 3, axis=1),
        control=control if job.datum.kind == "control" else None,
        given=control,
        booked=fieldbook.setups,
        links=links,
        precision=precision,
        datum=job.datum,
        refraction=job.refraction,
        booked_links=booked,
        rod_unit=length_factor(job.length_unit),
    )


def decide_and_diagnose(
    case: Case, fieldbook: Fieldbook, decisions: Sequence[Decision], reporter: Reporter
) -> Outcome:
    """Carry out the decisions and diagnose what is left.

    What accept and keep name is looked up in a diagnosis without them, so that the ids of
    findings survive the decisions about them.

    Raises
    ------
    ConfigError
        A decision matches nothing.
    """
    decided = apply_edits(case, fieldbook, decisions)
    first = with_job_constant(diagnose(decided.case))
    named = [decision for decision in decisions if decision.verb in ("accept", "keep")]
    if not named:
        return Outcome(decided, first, tuple(reporter.finding(m) for m in everything(first)))
    mistakes = {reporter.finding(mistake).id: mistake for mistake in everything(first)}
    unknown = [
        f"job.yaml:{decision.line}: decision {decision.verb} names finding {decision.finding}, "
        "which this job does not have (any more). Look in findings.json, or take it out"
        for decision in named
        if decision.finding not in mistakes
    ]
    if unknown:
        raise ConfigError(*unknown)
    cured, kept, effects = decided.case, set(), list(decided.effects)
    for decision in named:
        mistake, before = mistakes[decision.finding], scatter_of(cured)
        if decision.verb == "accept":
            cured = cure(cured, mistake)
        else:
            kept.add(signature(mistake))
        effects.append(Effect(decision, len(mistake.rows), before, scatter_of(cured)))
    diagnosis = with_job_constant(diagnose(cured, frozenset(kept)))
    settled = [_settled(reporter, mistakes[d.finding], d) for d in named]
    open_ = [reporter.finding(mistake) for mistake in everything(diagnosis)]
    done = {finding.id for finding in settled}
    findings = (*(f for f in open_ if f.id not in done), *settled)
    return Outcome(replace(decided, case=cured, effects=tuple(effects)), diagnosis, findings)


def everything(diagnosis: Diagnosis) -> tuple[Mistake, ...]:
    """Return all mistakes of a diagnosis, taken out or not."""
    return (*diagnosis.mistakes, *diagnosis.kept)


def _settled(reporter: Reporter, mistake: Mistake, decision: Decision) -> Finding:
    """Return the finding of a mistake that a person has decided about."""
    finding = reporter.finding(mistake)
    word = "accepted" if decision.verb == "accept" else "kept"
    who = f" by {decision.by}" if decision.by else ""
    says = f"{finding.says} Decision: {word}{who}: {decision.reason or 'no reason given'}."
    return replace(finding, severity="note", action=word, says=says)


def _reconciliation(
    job: Job, fieldbook: Fieldbook, outcome: Outcome, inputs: Mapping[str, str]
) -> Reconciliation:
    solved = outcome.diagnosis.solved
    tests = _tests(solved, solved.adjustment)
    minimal, minimal_tests = None, None
    if solved.case.datum.kind == "control":
        minimal = minimal_fit(solved)
        minimal_tests = _tests(solved, minimal)
    excluded = ~solved.case.use & ~fieldbook.shots.repeated[:, None]
    withheld = _withheld(solved, excluded & ~outcome.decided.excluded)
    checks = check_site(_solution(job, solved, minimal, tests, withheld), job.tolerances)
    named = {finding.setup for finding in outcome.findings if finding.severity == "stop"}
    phrases = Phrases(length_factor(job.length_unit), job.length_unit)
    findings = (*outcome.findings, *_other_findings(fieldbook, solved, tests, named, phrases))
    findings = with_control_scale(findings, checks.evidence.control, solved.case.precision.grid)
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
    )
    findings = tuple(worst_first([*findings, *weakness_findings(site)]))
    summary = summary_of(site, minimal_tests)
    answer = crew_answer(
        checks,
        title=job.title,
        length_unit=job.length_unit,
        angle_unit=job.angle_unit,
        findings=findings,
    )
    return Reconciliation(
        job=job,
        coordinates=coordinates_table(site),
        observations=observations_table(site, outcome.findings),
        setups=setups_table(site),
        ties=ties_table(site),
        findings=findings,
        summary=summary,
        run=run_record(site, summary, inputs) | {"decisions": effects_record(outcome.decided)},
        status=int(answer.status or not _proved(site)),
        joints=joints_table(site, checks),
        pairs=pairs_table(site, checks),
        control=control_table(site, checks),
        rules=rules_table(check_rules(_rules(job), checks.evidence)),
        answer=answer,
    )


def _proved(site: Site) -> bool:
    """Say whether no tie lies beyond its limit, by error or by scatter, and any is proved."""
    judged = site.judgement
    beyond = np.isin(judged.plan, (BAD, LOOSE)) | np.isin(judged.height, (BAD, LOOSE))
    return not beyond.any() and (not len(beyond) or bool((judged.verdict == TIES).any()))


def _solution(
    job: Job,
    solved: Solved,
    minimal: Adjustment | None,
    tests: PointingTests,
    withheld: WithheldTies | None,
) -> Solution:
    return Solution(
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
    )


def _rules(job: Job) -> tuple[Rule, ...]:
    """Return the rules that ship under the name of the job's tolerances."""
    name = job.tolerances.name
    return find_rules(name).rules if name in rule_sets() else ()


def _tests(solved: Solved, adjustment: Adjustment) -> PointingTests:
    return examine_pointings(adjustment, solved.network.sights, solved.reduction.pointings)


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


def _inputs(job: Job, fieldbook: Fieldbook) -> Mapping[str, str]:
    """Return the sha256 of every input file by its name in the job folder."""
    others = [job.folder / "job.yaml", job.control_file, job.levels_file, job.tapes_file]
    hashes = {file.name: file.sha256 for file in fieldbook.files}
    for path in others:
        if path is not None:
            hashes[path.relative_to(job.folder).as_posix()] = file_sha256(path)
    return hashes


def _other_findings(
    fieldbook: Fieldbook,
    solved: Solved,
    tests: PointingTests,
    named: set[str],
    phrases: Phrases,
) -> tuple[Finding, ...]:
    """Return the findings that are not single mistakes.

    ``named`` are setups that a mistake already speaks of: that they are not reached is no news.
    """
    sights, pointings = solved.network.sights, solved.reduction.pointings
    scatter = components(solved.adjustment, sights, pointings, tests)
    scatter += run_components(solved.adjustment)
    return (
        *(f for f in reach_findings(solved.network) if not f.setup or f.setup not in named),
        *hanging_marks(solved.network),
        *row_findings(fieldbook, solved, phrases),
        *identity_findings(solved),
        *precision_findings(scatter),
        *weather_findings(solved.case),
    )
