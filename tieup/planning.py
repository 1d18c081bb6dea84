"""The flow of a plan: what is shot and what is planned in, a forecast out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tieup import __version__
from tieup.adjust.solution import Adjustment
from tieup.config.standing_section import refuse_unknown_standing
from tieup.diagnose.basis.case import complete_points
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.decisions.apply_decisions import Outcome, decide_and_diagnose
from tieup.diagnose.decisions.report import Reporter
from tieup.diagnose.first_solution.foreign_units import free_of_foreign_units
from tieup.diagnose.first_solution.scaled_control import free_of_scaled_control
from tieup.diagnose.row_checks.doubts import others
from tieup.diagnose.row_checks.rejected_sets import reject_sets
from tieup.diagnose.row_checks.unused_columns import explained
from tieup.errors import AdjustmentError, InputError, NetworkError
from tieup.judging import string_steps
from tieup.model.arrays import BoolArray, FloatArray
from tieup.model.control import Control
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.job import Job
from tieup.model.observations import Sights
from tieup.model.plan import Forecast, Plan
from tieup.pipeline import make_case, read_site
from tieup.preanalysis.believed import scheme_of
from tieup.preanalysis.design_quality import Demand
from tieup.preanalysis.forecast import look_ahead
from tieup.preanalysis.planned_sights import with_plan
from tieup.preanalysis.scheme import Scheme, solve_scheme
from tieup.read import (
    number_links,
    read_booked_links,
    read_control,
)
from tieup.read.openable import file_hashes, refuse_changed
from tieup.read.plan_reader import files_with_rows, read_plan, require_places
from tieup.read.projection import site_grid
from tieup.results.plan_tables import forecast_of

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Drawn:
    """What is to be looked at: a scheme, and which of its sights (k,) and points (P,) are planned.

    ``adjustment`` is the solution of what was shot, None where a plan was added or nothing shot.
    ``plan`` is None where the job names none. ``to_settle`` counts the findings of severity stop
    in what was shot.
    """

    scheme: Scheme
    sights: BoolArray
    points: BoolArray
    adjustment: Adjustment | None
    plan: Plan | None
    to_settle: int


def forecast(job: Job, progress: Progress | None = None) -> Forecast:
    """Predict what the sights of a job are worth: those shot, those planned, or both.

    ``progress`` is called with the words of each stage.

    Raises
    ------
    TieupError
        The job, its plan or its data is wrong, or what is sighted cannot be tied.
    """
    tell = progress or (lambda stage: None)
    tell("reading and solving")
    paths = _input_files(job)
    inputs = file_hashes(paths)
    job, drawn = draw(job)
    refuse_changed(paths, inputs)
    adjustment = drawn.adjustment or _solved(drawn)
    tell("looking for the best next shot")
    demand = Demand(job.tolerances, job.confidence)
    outlook = look_ahead(drawn.scheme, adjustment, demand, drawn.sights, drawn.points)
    used = {name: inputs[name] for name in _input_files(job)}
    run = {"version": __version__, "inputs": {"job.yaml": job.sha256, **used}}
    return forecast_of(job, outlook, run, drawn.to_settle, drawn.plan)


def draw(job: Job) -> tuple[Job, Drawn]:
    """Return the scheme of a job; and the job without raw files that hold nothing yet.

    Raises
    ------
    TieupError
        The plan or the data is wrong.
    """
    control = read_control(job.control_file, job) if job.control_file else None
    plan = read_plan(job, control) if job.plan_sights else None
    job = replace(job, raw_files=files_with_rows(job) if plan else job.raw_files)
    scheme, adjustment, open_ = (
        _shot(job, control) if job.raw_files else (_unshot(job, control), None, 0)
    )
    refuse_unknown_standing(job, (*scheme.points, *(plan.points if plan else ())))
    if plan is None:
        nothing = np.zeros(len(scheme.sights), dtype=np.bool_)
        points = np.zeros(len(scheme.points), dtype=np.bool_)
        return job, Drawn(scheme, nothing, points, adjustment, None, open_)
    scheme, planned = with_plan(_with_places(scheme, plan, control), plan)
    _refuse_no_control(scheme, plan)
    names = {*plan.points, *(setup.station for setup in plan.setups if setup.station)}
    points = np.array([name in names for name in scheme.points], dtype=np.bool_)
    return job, Drawn(scheme, planned, points, None, plan, open_)


def _shot(job: Job, control: Control | None) -> tuple[Scheme, Adjustment, int]:
    """Return what was shot so far, solved as `tieup reconcile` does, and what is to be settled."""
    fieldbook, _ = read_site(job)
    try:
        outcome, more = _diagnosed(job, fieldbook, control)
    except (NetworkError, AdjustmentError) as error:
        raise explained(error, fieldbook) from error
    open_ = sum(f.severity == "stop" for f in (*outcome.findings, *more))
    solved = outcome.diagnosis.solved
    return scheme_of(solved), solved.adjustment, open_


def _diagnosed(
    job: Job, fieldbook: Fieldbook, control: Control | None
) -> tuple[Outcome, tuple[Finding, ...]]:
    """Return the diagnosis of the raw rows, and the findings made on the way to it."""
    case, _ = reject_sets(make_case(job, fieldbook, control), fieldbook)
    case, foreign = free_of_foreign_units(case)
    case, scaled, prepared = free_of_scaled_control(case, job.tolerances)
    phrases = Phrases(job.length_unit)
    reporter = Reporter(fieldbook, phrases, case.booked_links, job.tolerances)
    outcome = decide_and_diagnose(
        case,
        fieldbook,
        others(job.decisions, fieldbook),
        reporter,
        job.tolerances,
        prepared=prepared,
        string_steps=lambda diagnosis: string_steps(diagnosis, job.tolerances),
    )
    return outcome, (*foreign, *scaled)


def _unshot(job: Job, control: Control | None) -> Scheme:
    """Return a site on which nothing is shot: its control, its level runs and its tapes."""
    points, links = number_links(read_booked_links(job), complete_points((), (), control))
    return Scheme(
        setups=(),
        points=points,
        sights=_no_sights(),
        control=control if job.datum.kind == "control" else None,
        links=links,
        datum=job.datum,
        precision=replace(job.precision, grid=site_grid(job.grid, control)),
        refraction=job.refraction,
        axis=np.zeros((0, 3)),
        orientation=np.zeros(0),
        place=np.full((len(points), 3), np.nan),
    )


def _no_sights() -> Sights:
    number, value = np.zeros(0, dtype=np.int64), np.zeros((0, 3))
    return Sights(
        number, number, np.zeros(0), value, np.zeros((0, 3), dtype=np.int64), value, value
    )


def _with_places(scheme: Scheme, plan: Plan, control: Control | None) -> Scheme:
    """Add the names and places of a plan: solved places go first, then control, then the plan.

    Raises
    ------
    InputError
        Something that the plan uses has no place.
    """
    setups = tuple(setup for setup in plan.setups if setup.station)
    points = complete_points((*scheme.points, *plan.points), setups, control)
    place = np.full((len(points), 3), np.nan)
    place[: len(scheme.points)] = scheme.place
    axis = scheme.axis.copy()
    number = {name: i for i, name in enumerate(points)}
    if control is not None:
        _fill(place, [number[name] for name in control.names], control.coordinates)
    for name, there in plan.places.items():
        if name in number:
            _fill(place, [number[name]], np.array([there]))
    for row, setup in enumerate(scheme.setups):
        if setup.label in plan.places:
            _fill(axis, [row], np.array([plan.places[setup.label]]))
    orientation = np.where(np.isfinite(axis[:, 0]), np.nan_to_num(scheme.orientation), np.nan)
    known = {name for name, here in zip(points, place, strict=True) if np.isfinite(here).all()}
    known |= {s.label for s in scheme.setups}
    require_places(plan, known)
    return replace(scheme, points=points, place=place, axis=axis, orientation=orientation)


def _fill(place: FloatArray, rows: list[int], values: FloatArray) -> None:
    """Fill in what is not known yet."""
    place[rows] = np.where(np.isfinite(place[rows]), place[rows], values)


def _refuse_no_control(scheme: Scheme, plan: Plan) -> None:
    """Refuse a job held to control in which no known mark is sighted or occupied."""
    if scheme.control is None:
        return
    complete: BoolArray = np.asarray(np.isfinite(scheme.control.coordinates[:, :2]).all(axis=1))
    known = {n for n, whole in zip(scheme.control.names, complete.tolist(), strict=True) if whole}
    used = {scheme.points[p] for p in scheme.sights.point.tolist()}
    if not known & {*used, *(setup.station for setup in scheme.setups)}:
        raise InputError(
            f"{plan.sights_file}:{int(plan.sights.line[0])}: point: no mark of the plan has "
            f"northing and easting in {scheme.control.file}. Sight two known marks, correct the "
            "names, or state datum: free in job.yaml"
        )


def _solved(drawn: Drawn) -> Adjustment:
    """Solve a scheme; what is wrong with it is said of the list of sights."""
    try:
        return solve_scheme(drawn.scheme)
    except NetworkError as error:
        if drawn.plan is None:
            raise
        name = drawn.plan.sights_file
        raise NetworkError(*(f"{name}: {text}" for text in error.problems)) from error


def _input_files(job: Job) -> Mapping[str, Path]:
    """Return every input file but job.yaml by its name in the job folder."""
    lists = (job.control_file, *job.link_files.values(), job.plan_places, job.plan_sights)
    return {job.name_of(path): path for path in (*job.raw_files, *lists) if path}
