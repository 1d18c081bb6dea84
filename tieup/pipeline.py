"""The flow of one run, as one straight function: files in, a reconciliation out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tieup.config.falls_section import refuse_unknown
from tieup.config.rule_sets import rules_of
from tieup.config.standing_section import refuse_unknown_standing
from tieup.derive.points import DerivedPoints
from tieup.derive.slopes import Slopes
from tieup.diagnose.basis.case import Case, complete_points
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.solve import Prepared
from tieup.diagnose.decisions.apply_decisions import Outcome, decide_and_diagnose
from tieup.diagnose.decisions.report import Reporter
from tieup.diagnose.first_solution.foreign_units import free_of_foreign_units
from tieup.diagnose.first_solution.scaled_control import free_of_scaled_control
from tieup.diagnose.names.setup_labels import apart_from_marks
from tieup.diagnose.row_checks.doubts import answer_effects, others
from tieup.diagnose.row_checks.reach import setups_left_out
from tieup.diagnose.row_checks.rejected_sets import reject_sets
from tieup.diagnose.row_checks.unused_columns import explained
from tieup.errors import AdjustmentError, NetworkError
from tieup.judging import judge_site, string_steps
from tieup.linework.shot_lines import lost_after
from tieup.linework.site_lines import SiteLine, find_lines
from tieup.model.control import Control
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import worst_first
from tieup.model.job import Job
from tieup.model.reconciliation import Reconciliation, Table
from tieup.model.settings import StandingTargets
from tieup.model.surfaces import SurfaceWish
from tieup.read import (
    number_links,
    read_booked_links,
    read_control,
    read_fieldbook,
)
from tieup.read.openable import file_hashes, refuse_changed
from tieup.read.projection import site_grid
from tieup.reduce.distances import prism_constants
from tieup.results.bays_tables import control_table, joints_table, pairs_table, rules_table
from tieup.results.coordinates_table import coordinates_table, lasting_marks
from tieup.results.covariance_table import covariance_table
from tieup.results.derived_table import (
    derived_findings,
    derived_points,
    derived_table,
    with_derived,
)
from tieup.results.fall_origins import with_origins
from tieup.results.falls_table import fall_findings, falls_table, with_falls
from tieup.results.field_table import (
    field_comparison,
    field_findings,
    field_setups_table,
    field_table,
)
from tieup.results.observations_table import observations_table
from tieup.results.pole_heights import pole_findings, pole_groups, poles_table
from tieup.results.run_record import effects_record, run_record, summary_of
from tieup.results.setups_table import setups_table, ties_table
from tieup.results.site import Site
from tieup.results.strings_table import site_slopes, string_findings, strings_table
from tieup.results.traverses_table import traverses_table
from tieup.results.weaknesses import weakness_findings
from tieup.threads import one_thread
from tieup.ties.rule_checks import check_rules
from tieup.ties.site_answer import crew_answer
from tieup.ties.tie_checks import Checks
from tieup.units import length_factor

if TYPE_CHECKING:
    from tieup.surfacing import SurfacesOfJob

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
    if job.surfaces:
        from tieup.surface.triangulation import check_library

        check_library()
    tell("reading")
    late = file_hashes(_read_late(job))
    fieldbook, control = read_site(job)
    try:
        with one_thread():
            found = _run(job, fieldbook, control, late, tell)
    except (NetworkError, AdjustmentError) as error:
        raise explained(error, fieldbook) from error
    read_once = {job.control_file} if control else set()
    refuse_changed({n: p for n, p in _read_late(job).items() if p not in read_once}, late)
    return found


def _run(
    job: Job,
    fieldbook: Fieldbook,
    control: Control | None,
    late: Mapping[str, str],
    tell: Progress,
) -> Reconciliation:
    case, rejected = reject_sets(make_case(job, fieldbook, control), fieldbook)
    refuse_unknown_standing(job, case.points)
    case, foreign = free_of_foreign_units(case)
    case, scaled, prepared = free_of_scaled_control(case, job.tolerances)
    tell("solving and looking for mistakes")
    phrases = Phrases(job.length_unit)
    reporter = Reporter(fieldbook, phrases, case.booked_links, job.tolerances)
    inputs = {**late, **_inputs(job, fieldbook, case)}

    def judge(outcome: Outcome) -> Reconciliation:
        findings = (*outcome.findings, *rejected, *foreign, *scaled)
        effects = (*outcome.decided.effects, *answer_effects(job.decisions, fieldbook))
        decided = replace(outcome.decided, effects=effects)
        outcome = replace(outcome, findings=findings, decided=decided)
        return _reconciliation(job, fieldbook, outcome, prepared, inputs, reporter)

    outcome = decide_and_diagnose(
        case,
        fieldbook,
        others(job.decisions, fieldbook),
        reporter,
        job.tolerances,
        lambda o: judge(o).findings,
        prepared,
        lambda diagnosis: string_steps(diagnosis, job.tolerances),
    )
    tell("judging the ties")
    return judge(outcome)


def with_surface(job: Job) -> Job:
    """Return a job that asks for a surface: its own ones, or else one of all that was shot."""
    return job if job.surfaces else replace(job, surfaces=(SurfaceWish("ground"),))


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
    precision = replace(
        job.precision,
        grid=site_grid(job.grid, control),
        standing=StandingTargets(
            job.standing_all,
            frozenset(number for number, name in enumerate(points) if name in job.standing),
        ),
    )
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
    reporter: Reporter,
) -> Reconciliation:
    site, checks, findings, promises = judge_site(job, fieldbook, outcome, prepared, reporter)
    diagnosis = outcome.diagnosis
    lines = _lines(site)
    derived = derived_points(site, lines)
    slopes = _slopes(site, lines, derived)
    phrases = Phrases(job.length_unit)
    poles = tuple(pole_groups(site, checks.evidence.joints))
    findings = (*findings, *weakness_findings(site), *pole_findings(poles, phrases))
    findings = (*findings, *derived_findings(site, derived))
    findings = (*findings, *string_findings(slopes, job), *fall_findings(slopes, job))
    findings = (*findings, *field_findings(site, field := field_comparison(site), findings))
    coordinates = with_derived(coordinates_table(site), site, derived)
    surfaces = _surfaces(site, lines, derived, coordinates, slopes)
    findings = (*findings, *(surfaces.findings if surfaces else ()))
    findings = tuple(worst_first(list(findings)))
    summary = summary_of(site)
    answer = crew_answer(
        checks,
        title=job.title,
        length_unit=job.length_unit,
        angle_unit=job.angle_unit,
        findings=findings,
        left_out=setups_left_out(site.case, outcome.decided.excluded),
        promises=promises,
    )
    verdict = with_falls(answer.verdict, slopes)
    answer = replace(answer, verdict=surfaces.judged(verdict) if surfaces else verdict)
    return Reconciliation(
        job=job,
        coordinates=coordinates,
        observations=observations_table(site, outcome.findings),
        setups=setups_table(site, answer),
        ties=ties_table(site),
        findings=findings,
        summary=summary,
        run=run_record(site, summary, inputs, diagnosis.scatter)
        | {"decisions": effects_record(outcome.decided)},
        verdict=answer.verdict,
        answer=answer,
        **_bay_tables(site, checks),
        strings=strings_table(site, slopes),
        falls=falls_table(site, slopes, coordinates),
        derived=derived_table(site, derived, coordinates),
        field_rows=field_table(site, field),
        field_setups=field_setups_table(site, field),
        surfaces=surfaces.drawn if surfaces else (),
        traverses=traverses_table(site),
        poles=poles_table(poles, phrases),
        covariance=covariance_table(diagnosis.stated, lasting_marks(site), job.length_unit),
    )


def _bay_tables(site: Site, checks: Checks) -> dict[str, Table]:
    """Return the tables of what lies between setups, and of the rules, by their names."""
    return {
        "joints": joints_table(site, checks),
        "pairs": pairs_table(site, checks),
        "control": control_table(site, checks),
        "rules": rules_table(
            check_rules(rules_of(site.job.rules), checks.evidence), site.job.length_unit
        ),
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


def _surfaces(
    site: Site,
    lines: Sequence[SiteLine],
    derived: DerivedPoints,
    coordinates: Table,
    slopes: Slopes,
) -> SurfacesOfJob | None:
    """Return the surfaces that the job asks for, None where it asks for none."""
    if not site.job.surfaces:
        return None
    # Few jobs ask for one, and what builds it takes a tenth of the time to import everything.
    from tieup.surfacing import surfaces_of

    names = (*(line.name for line in lines), *derived.strings)
    return surfaces_of(site, names, derived, coordinates, slopes)


def _inputs(job: Job, fieldbook: Fieldbook, case: Case) -> Mapping[str, str]:
    """Return the sha256 of every list and raw file as it was when it was read, by its name."""
    hashes = {file.name: file.sha256 for file in fieldbook.files}
    hashes["job.yaml"] = job.sha256
    if case.given is not None:
        hashes[case.given.file] = case.given.sha256
        if case.given.from_file:
            hashes[case.given.from_file] = case.given.from_sha256
    return hashes | {link.file: link.sha256 for link in case.booked_links}


def _read_late(job: Job) -> Mapping[str, Path]:
    """Return the files that are read once the site is solved, and a list that may hold no mark."""
    against = [wish.against.file for wish in job.surfaces if wish.against and wish.against.file]
    own = [path for path in job.rules if path.is_relative_to(job.folder)]
    control = [job.control_file] if job.control_file else []
    return {job.name_of(path): path for path in (*control, *against, *own)}
