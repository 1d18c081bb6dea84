"""The flow of one run, as one straight function: files in, a reconciliation out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from tieup.adjust.pointings import PointingTests, examine_pointings
from tieup.adjust.solution import Adjustment
from tieup.config.falls import refuse_unknown
from tieup.config.rules import find_rules, rule_sets
from tieup.config.standing import refuse_unknown_standing
from tieup.derive.points import DerivedPoints
from tieup.derive.runs import lost_after
from tieup.derive.slopes import Slopes
from tieup.derive.strings import SiteLine, find_lines
from tieup.diagnose.case import Case, complete_points
from tieup.diagnose.columns import explained
from tieup.diagnose.foreign_units import free_of_foreign_units
from tieup.diagnose.identity import identity_findings
from tieup.diagnose.labels import apart_from_marks
from tieup.diagnose.levels import hanging_marks, run_components
from tieup.diagnose.missing import after_the_file
from tieup.diagnose.precision import components, precision_findings
from tieup.diagnose.predict import misfit, predicted
from tieup.diagnose.reach import reach_findings, setups_left_out
from tieup.diagnose.report import Reporter
from tieup.diagnose.rowchecks import row_findings
from tieup.diagnose.scaled import free_of_scaled_control
from tieup.diagnose.sets import reject_sets, weather_findings
from tieup.diagnose.settle import Outcome, decide_and_diagnose
from tieup.diagnose.signed import answer_effects, others, with_answers
from tieup.diagnose.solve import Prepared, Solved, minimal_fit
from tieup.diagnose.usual import told_once
from tieup.diagnose.words import Phrases
from tieup.errors import AdjustmentError, NetworkError
from tieup.model.arrays import BoolArray
from tieup.model.control import Control
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding, worst_first
from tieup.model.job import Job
from tieup.model.observations import DISTANCE
from tieup.model.reconciliation import Reconciliation, Table
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
from tieup.results.derived import (
    derived_findings,
    derived_points,
    derived_table,
    with_derived,
)
from tieup.results.fall_origins import with_origins
from tieup.results.falls import fall_findings, falls_table, with_falls
from tieup.results.field import (
    field_comparison,
    field_findings,
    field_setups_table,
    field_table,
)
from tieup.results.observations import observations_table
from tieup.results.remarks import flags, reasons
from tieup.results.run import effects_record, run_record, summary_of
from tieup.results.setups import setups_table, ties_table
from tieup.results.site import Site
from tieup.results.strings import site_slopes, string_findings, strings_table
from tieup.results.weaknesses import weakness_findings
from tieup.threads import one_thread
from tieup.ties.answer import crew_answer
from tieup.ties.checks import Checks, Solution, check_site
from tieup.ties.rules import check_rules
from tieup.ties.withheld import WithheldTies, withheld_ties
from tieup.units import length_factor

FAR_OFF = 0.3  # m; a left-out shot this far off is shown as a finding, not as a tie

Progress = Callable[[str], None]


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
    fieldbook, control = read_site(job)
    try:
        with one_thread():
            return _run(job, fieldbook, control, tell)
    except (NetworkError, AdjustmentError) as error:
        raise explained(error, fieldbook) from error


def _run(job: Job, fieldbook: Fieldbook, control: Control | None, tell: Progress) -> Reconciliation:
    case, rejected = reject_sets(make_case(job, fieldbook, control), fieldbook)
    refuse_unknown_standing(job, case.points)
    case, foreign = free_of_foreign_units(case)
    case, scaled, prepared = free_of_scaled_control(case)
    tell("solving and looking for mistakes")
    phrases = Phrases(length_factor(job.length_unit), job.length_unit)
    reporter = Reporter(fieldbook, phrases, case.booked_links)
    inputs = _inputs(job, fieldbook)

    def judge(outcome: Outcome) -> Reconciliation:
        findings = (*outcome.findings, *rejected, *foreign, *scaled)
        effects = (*outcome.decided.effects, *answer_effects(job.decisions, fieldbook))
        decided = replace(outcome.decided, effects=effects)
        outcome = replace(outcome, findings=findings, decided=decided)
        return _reconciliation(job, fieldbook, outcome, prepared, inputs)

    outcome = decide_and_diagnose(
        case,
        fieldbook,
        others(job.decisions, fieldbook),
        reporter,
        job.tolerances,
        lambda o: judge(o).findings,
        prepared,
    )
    tell("judging the ties")
    return judge(outcome)


def read_site(job: Job) -> tuple[Fieldbook, Control | None]:
    """Read the raw rows and the known marks; no setup keeps the name of a mark for its label."""
    fieldbook = read_fieldbook(job)
    control = read_control(job.control_file, job) if job.control_file else None
    links = read_booked_links(job)
    marks = {
        *(control.names if control else ()),
        *(mark for link in links for mark in (link.start, link.end)),
    }
    return apart_from_marks(fieldbook, marks), control


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


def _reconciliation(
    job: Job,
    fieldbook: Fieldbook,
    outcome: Outcome,
    prepared: Prepared | None,
    inputs: Mapping[str, str],
) -> Reconciliation:
    solved = outcome.diagnosis.solved
    tests = _tests(solved, solved.adjustment)
    minimal, minimal_tests = None, None
    if solved.case.datum.kind == "control":
        minimal = minimal_fit(solved, prepared)
        minimal_tests = _tests(solved, minimal)
    excluded = ~solved.case.use & ~fieldbook.shots.repeated[:, None]
    withheld = _withheld(solved, excluded & ~outcome.decided.excluded)
    checks = check_site(_solution(job, solved, minimal, tests, withheld), job.tolerances)
    phrases = Phrases(length_factor(job.length_unit), job.length_unit)
    findings = _findings(job, fieldbook, solved, tests, outcome, phrases)
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
    lines = _lines(site)
    derived = derived_points(site, lines)
    slopes = _slopes(site, lines, derived)
    findings = (*findings, *weakness_findings(site), *derived_findings(site, derived))
    findings = (*findings, *string_findings(slopes, job), *fall_findings(slopes, job))
    findings = (*findings, *field_findings(site, field := field_comparison(site), findings))
    findings = tuple(worst_first(list(findings)))
    summary = summary_of(site, minimal_tests)
    answer = crew_answer(
        checks,
        title=job.title,
        length_unit=job.length_unit,
        angle_unit=job.angle_unit,
        findings=findings,
        left_out=setups_left_out(solved.case, outcome.decided.excluded),
    )
    answer = replace(answer, verdict=with_falls(answer.verdict, slopes))
    return Reconciliation(
        job=job,
        coordinates=(coordinates := with_derived(coordinates_table(site), site, derived)),
        observations=observations_table(site, outcome.findings),
        setups=setups_table(site, answer),
        ties=ties_table(site),
        findings=findings,
        summary=summary,
        run=run_record(site, summary, inputs) | {"decisions": effects_record(outcome.decided)},
        verdict=answer.verdict,
        answer=answer,
        **_bay_tables(site, checks),
        strings=strings_table(site, slopes),
        falls=falls_table(site, slopes, coordinates),
        derived=derived_table(site, derived, coordinates),
        field_rows=field_table(site, field),
        field_setups=field_setups_table(site, field),
    )


def _bay_tables(site: Site, checks: Checks) -> dict[str, Table]:
    """Return the tables of what lies between setups, and of the rules, by their names."""
    return {
        "joints": joints_table(site, checks),
        "pairs": pairs_table(site, checks),
        "control": control_table(site, checks),
        "rules": rules_table(check_rules(_rules(site.job), checks.evidence), site.job.length_unit),
    }


def _lines(site: Site) -> tuple[SiteLine, ...]:
    """Return the lines of a site, in order across its setups."""
    position, shots = site.position, site.case.shots
    solid = np.flatnonzero(np.isfinite(position).all(axis=1)).tolist()
    placed = {site.case.points[number] for number in solid}
    return find_lines(shots, lost_after(site.fieldbook.invalid, shots, placed), position)


def _slopes(site: Site, lines: Sequence[SiteLine], derived: DerivedPoints) -> Slopes:
    """Return what lies along the lines and came of the named falls.

    Raises
    ------
    ConfigError
        A fall names what the job does not have.
    """
    points = (*site.case.points, *(point.name for point in derived.places))
    strings = (*(line.name for line in lines), *derived.strings)
    refuse_unknown(site.job.falls, points, strings)
    return with_origins(site_slopes(site, lines, derived), site, derived)


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


def _findings(
    job: Job,
    fieldbook: Fieldbook,
    solved: Solved,
    tests: PointingTests,
    outcome: Outcome,
    phrases: Phrases,
) -> tuple[Finding, ...]:
    """Return the single mistakes and the findings that are none.

    That a setup is not reached of which a mistake already speaks is no news.
    """
    named = {finding.setup for finding in outcome.findings if finding.severity == "stop"}
    kept = [finding.id for finding in outcome.findings if finding.action == "kept"]
    out = setups_left_out(solved.case, outcome.decided.excluded)
    sights, pointings = solved.network.sights, solved.reduction.pointings
    scatter = components(solved.adjustment, sights, pointings, tests)
    scatter += run_components(solved.adjustment)
    more = (
        *(f for f in reach_findings(solved.network, out) if not f.setup or f.setup not in named),
        *hanging_marks(solved.network),
        *row_findings(fieldbook, solved, phrases),
        *identity_findings(solved),
        *precision_findings(scatter, kept),
        *weather_findings(solved.case),
    )
    findings = told_once(after_the_file((*outcome.findings, *more), fieldbook))
    return with_answers(findings, job.decisions, fieldbook)
