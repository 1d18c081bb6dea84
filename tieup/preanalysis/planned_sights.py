"""Put planned sights into a scheme: as raw rows of exact readings, reduced like measured ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Setup, Shots
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights
from tieup.model.plan import Plan
from tieup.model.settings import StandingTargets
from tieup.preanalysis.scheme import Scheme, exact_readings
from tieup.reduce.sights import reduce_shots

NEAREST = 0.1  # m; a mark this near to the instrument cannot be sighted
FARTHEST = 10_000.0  # m; no sight is as long: the lists are not in one frame. Common practice


def with_plan(scheme: Scheme, plan: Plan) -> tuple[Scheme, BoolArray]:
    """Add the sights of a plan to a scheme.

    A setup that the scheme has already is the one that stands there. A planned sight of a mark that
    it has shot is a second look: a visit of its own, but where the target stands meanwhile. There
    it adds its pointings to the sight at the same target height, as further rows would.

    Returns
    -------
    The scheme, and which of its sights (k,) are planned, wholly or in part.

    Raises
    ------
    InputError
        A setup stands over another mark than in the field, has no place, or sights a mark at
        its own place; every such sight.
    """
    whole, setup = _with_setups(scheme, plan)
    number = {name: i for i, name in enumerate(whole.points)}
    point = np.array([number[name] for name in plan.points], dtype=np.int64)[plan.sights.point]
    reading = exact_readings(
        setup,
        point,
        plan.sights.target_height,
        (whole.axis, whole.orientation, whole.place),
        whole.bend,
    )
    _refuse_no_sights(whole, plan, (setup, point), reading)
    shots = _rows(plan, setup, point, reading)
    use = np.ones((len(shots), 3), dtype=np.bool_)
    planned = reduce_shots(shots, whole.setups, whole.precision, use).sights
    sights, is_planned = _joined(scheme.sights, planned, whole.precision.standing)
    return whole.with_sights(sights), is_planned


def _with_setups(scheme: Scheme, plan: Plan) -> tuple[Scheme, IntArray]:
    """Return the scheme with the plan's setups, and the setup (k,) of each planned sight."""
    labels = {setup.label: i for i, setup in enumerate(scheme.setups)}
    new = [setup for setup in plan.setups if setup.label not in labels]
    _refuse_moved_setups(scheme, plan, labels)
    labels |= {setup.label: len(scheme.setups) + i for i, setup in enumerate(new)}
    axis = np.array([_axis(setup, scheme, plan) for setup in new]).reshape(-1, 3)
    whole = replace(
        scheme,
        setups=(*scheme.setups, *new),
        axis=np.concatenate([scheme.axis, axis]),
        orientation=np.concatenate([scheme.orientation, np.zeros(len(new))]),
    )
    own = np.array([labels[setup.label] for setup in plan.setups], dtype=np.int64)
    return whole, own[plan.sights.setup]


def _axis(setup: Setup, scheme: Scheme, plan: Plan) -> FloatArray:
    """Return where the instrument of a planned setup will be (3,) in m."""
    if not setup.station:
        return np.array(plan.places.get(setup.label, (np.nan,) * 3))
    place = scheme.place[scheme.points.index(setup.station)]
    return np.asarray(place + np.array([0.0, 0.0, setup.instrument_height]))


def _refuse_moved_setups(scheme: Scheme, plan: Plan, labels: dict[str, int]) -> None:
    problems = []
    for setup in plan.setups:
        shot = scheme.setups[labels[setup.label]] if setup.label in labels else None
        if shot is not None and setup.station and setup.station != shot.station:
            over = f"over {shot.station}" if shot.station else "as a free station"
            problems.append(
                f"{plan.sights_file}: setup {setup.label} stands over {setup.station} here and "
                f"{over} in the field. Correct station, or give a new setup a new label"
            )
    if problems:
        raise InputError(*problems)


def _refuse_no_sights(
    scheme: Scheme, plan: Plan, ends: tuple[IntArray, IntArray], reading: FloatArray
) -> None:
    """Refuse sights without length or far too long, and those of what has no place."""
    problems = []
    away = scheme.place[ends[1]] - scheme.axis[ends[0]]
    for row, line in enumerate(plan.sights.line.tolist()):
        setup, point = scheme.setups[ends[0][row]].label, scheme.points[ends[1][row]]
        if not np.isfinite(reading[row]).all():
            problems.append(
                f"{plan.sights_file}:{line}: setup {setup} or point {point} could not be placed by "
                "what was shot so far. Give it approximate coordinates in places.csv"
            )
        elif np.hypot(*away[row, :2]) < NEAREST:
            problems.append(
                f"{plan.sights_file}:{line}: setup {setup} and point {point} are in one place. "
                "Correct one of them in places.csv"
            )
        elif np.hypot(*away[row, :2]) > FARTHEST:
            problems.append(
                f"{plan.sights_file}:{line}: setup {setup} and point {point} are "
                f"{np.hypot(*away[row, :2]) / 1000.0:.0f} km apart. Are places.csv and the known "
                "marks in one frame and one unit?"
            )
    if problems:
        raise InputError(*problems)


def _rows(plan: Plan, setup: IntArray, point: IntArray, reading: FloatArray) -> Shots:
    """Return the raw rows of the plan: every sight in its faces and rounds."""
    sights = plan.sights
    each = sights.rounds * sights.faces
    row = np.repeat(np.arange(len(sights)), each)
    place = np.arange(len(row)) - np.repeat(np.cumsum(each) - each, each)
    face = 1 + place % sights.faces[row]
    value = np.where(sights.measured, reading, np.nan)[row]
    second = face == 2
    nothing, text = np.full(len(row), np.nan), np.full(len(row), "", dtype=object)
    return Shots(
        file=np.zeros(len(row), dtype=np.int64),
        line=sights.line[row],
        setup=setup[row],
        point=point[row],
        direction=value[:, DIRECTION] + np.where(second, np.pi, 0.0),
        zenith=np.where(second, 2.0 * np.pi - value[:, ZENITH], value[:, ZENITH]),
        distance=value[:, DISTANCE],
        target_height=sights.target_height[row],
        face=face,
        round=1 + place // sights.faces[row],
        prism_constant=np.zeros(len(row)),
        temperature=nothing,
        pressure=nothing,
        time=nothing,
        role=text,
        target=sights.target[row],
        code=text,
        string=text,
        note=text,
        field_coordinates=np.full((len(row), 3), np.nan),
        repeated=np.zeros(len(row), dtype=np.bool_),
    )


def _joined(shot: Sights, planned: Sights, standing: StandingTargets) -> tuple[Sights, BoolArray]:
    """Join measured and planned sights; pointings of a target that stands come together."""
    first = {key: i for i, key in enumerate(_keys(shot))}
    partner = np.array([first.get(key, -1) for key in _keys(planned)], dtype=np.int64)
    if not (standing.everywhere or standing.in_setups):
        partner[~np.isin(planned.point, sorted(standing.points))] = -1
    again = np.flatnonzero(partner >= 0)
    count, value = shot.count.copy(), shot.value.copy()
    count[partner[again]] += planned.count[again]
    value[partner[again]] = np.where(
        np.isfinite(value[partner[again]]), value[partner[again]], planned.value[again]
    )
    shot = replace(shot, count=count, value=value)
    new = np.flatnonzero(partner < 0)
    sights = Sights(
        **{
            name: np.concatenate([column, getattr(planned, name)[new]])
            for name, column in vars(shot).items()
        }
    )
    is_planned = np.zeros(len(sights), dtype=np.bool_)
    is_planned[partner[again]] = True
    is_planned[len(shot) :] = True
    return sights, is_planned


def _keys(sights: Sights) -> list[tuple[int, int, int]]:
    height = np.round(sights.target_height * 1e5).astype(np.int64)
    columns = (sights.setup.tolist(), sights.point.tolist(), height.tolist())
    return list(zip(*columns, strict=True))
