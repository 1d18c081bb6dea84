"""Plant one mistake of a chosen strength: so many times the smallest that would be caught.

The strength of a planted mistake is measured, not assumed: the same mistake is put into
error-free rows of the same site, and what it adds to v'Pv of the solution is its
non-centrality. At 17.075 the mistake is a minimal detectable bias (Baarda: alpha 0.001,
power 0.80).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tests.diagnose.cases import case_of
from tests.simulate import Site, Survey, simulate
from tests.simulate.draw import ARCSEC
from tests.simulate.mistakes import angles, control, distances, heights, moves, names
from tests.simulate.mistakes.chance import shared_marks
from tieup.diagnose.basis.solve import solve
from tieup.errors import TieupError
from tieup.model.settings import Instrument, Precision

Rng = np.random.Generator
Injector = Callable[[Survey, float], Survey]

TINY = Precision(
    instruments={"default": Instrument(1e-13, 1e-13, 1e-10, 0.0)},
    centring_instrument=1e-10,
    centring_target=1e-10,
    height_instrument=1e-10,
    height_target=1e-10,
)
MDB_NONCENTRALITY = 17.075
PROBE = {"m": 0.004, "arcsec": 15.0, "ppm": 60.0}


@dataclass(frozen=True)
class Plan:
    """How to plant one mistake of any size (in ``unit``) into a survey of one site."""

    kind: str
    unit: str
    inject: Injector


def _setup(survey: Survey, rng: Rng, occupied: bool = False) -> str:
    labels = [s.label for s in survey.setups if not occupied or s.station]
    if not labels:
        raise ValueError("no setup of this kind")
    return str(rng.choice(labels))


def _sight(survey: Survey, rng: Rng) -> tuple[str, str]:
    setup = _setup(survey, rng)
    return setup, str(rng.choice(shared_marks(survey, setup)))


def plan_sized(survey: Survey, kind: str, rng: Rng) -> Plan:
    """Choose the victim of a mistake that has a size."""
    setup, mark = _sight(survey, rng)
    rows = survey.rows(setup, mark)
    sign = float(rng.choice([-1.0, 1.0]))
    match kind:
        case "direction":
            return Plan(kind, "arcsec", lambda s, x: angles.false_direction(s, rows, sign * x))
        case "zenith":
            return Plan(kind, "arcsec", lambda s, x: angles.false_zenith(s, rows, sign * x))
        case "distance":
            return Plan(kind, "m", lambda s, x: distances.false_distance(s, rows, sign * x))
        case "target-height":
            return Plan(kind, "m", lambda s, x: heights.target_height(s, rows, sign * x))
        case "target-height-run":
            run = _run(survey, setup, rng)
            return Plan(kind, "m", lambda s, x: heights.target_height(s, run, sign * x))
        case "instrument-height":
            over = _setup(survey, rng, occupied=True)
            return Plan(kind, "m", lambda s, x: heights.instrument_height(s, over, sign * x))
        case "prism-constant":
            return Plan(kind, "m", lambda s, x: distances.prism_constant(s, setup, sign * x))
        case "distance-scale":
            return Plan(kind, "ppm", lambda s, x: distances.distance_scale(s, setup, sign * x))
        case "instrument-moved":
            row = _break(survey, setup, rng)
            return Plan(kind, "arcsec", lambda s, x: moves.instrument_turned(s, row, sign * x))
        case "mark-moved":
            return _kick(survey, rng)
        case "control-coordinate":
            name = str(rng.choice([n for n in survey.control.names if n in survey.points]))
            component = int(rng.integers(3))
            return Plan(
                kind, "m", lambda s, x: control.coordinate_typo(s, name, component, sign * x)
            )
    raise ValueError(kind)


def _run(survey: Survey, setup: str, rng: Rng) -> np.ndarray:
    """Choose two or more marks of a setup, one after the other, but not all of them."""
    marks = [p for p in _in_order(survey, setup) if p in shared_marks(survey, setup)]
    count = int(rng.integers(2, max(3, len(marks) - 1)))
    start = int(rng.integers(0, len(marks) - count + 1))
    rows = [survey.rows(setup, mark) for mark in marks[start : start + count]]
    return np.sort(np.concatenate(rows))


def _in_order(survey: Survey, setup: str) -> list[str]:
    return list(dict.fromkeys(survey.points[p] for p in survey.shots.point[survey.rows(setup)]))


def _break(survey: Survey, setup: str, rng: Rng) -> int:
    """Choose a row to break a setup at: two or more marks before it and after it."""
    marks = shared_marks(survey, setup)
    rows = [r for r in survey.rows(setup) if survey.points[survey.shots.point[r]] in marks]
    names_ = [survey.points[survey.shots.point[r]] for r in rows]
    good = [
        r
        for i, r in enumerate(rows)
        if len(set(names_[:i])) >= 2 and len(set(names_[i:])) >= 2 and names_[i] != names_[i - 1]
    ]
    if not good:
        raise ValueError("no break possible")
    return int(rng.choice(good))


def _kick(survey: Survey, rng: Rng) -> Plan:
    seen = {}
    for setup in survey.setups:
        for mark in shared_marks(survey, setup.label):
            seen.setdefault(mark, []).append(setup.label)
    several = {m: s for m, s in seen.items() if len(s) > 2}
    if not several:
        raise ValueError("no mark is seen three times")
    mark = str(rng.choice(sorted(several)))
    since = several[mark][int(rng.integers(1, len(several[mark]) - 1))]
    bearing = rng.uniform(0, 2 * np.pi)
    unit = np.array([np.cos(bearing), np.sin(bearing), 0.2])
    return Plan("mark-moved", "m", lambda s, x: moves.mark_moved(s, mark, since, unit * x))


def plan_discrete(survey: Survey, kind: str, rng: Rng) -> Plan:
    """Choose the victim of a mistake without a size; the size given is ignored."""
    setup, mark = _sight(survey, rng)
    marks = sorted({m for s in survey.setups for m in shared_marks(survey, s.label)})
    match kind:
        case "point-name":
            others = [m for m in marks if m not in _in_order(survey, setup)]
            if not others:
                raise ValueError("every mark is sighted")
            other = str(rng.choice(others))
            return Plan(kind, "", lambda s, x: names.point_name(s, setup, mark, other))
        case "swapped-names":
            one, two = (str(m) for m in rng.choice(shared_marks(survey, setup), 2, replace=False))
            return Plan(kind, "", lambda s, x: names.swapped_names(s, setup, one, two))
        case "station-name":
            over = _setup(survey, rng, occupied=True)
            others = [m for m in marks if m not in _in_order(survey, over)]
            station = survey.setups[survey.setup_number(over)].station
            wrong = str(rng.choice([m for m in others if m != station]))
            return Plan(kind, "", lambda s, x: names.station_name(s, over, wrong))
        case "distance-unit":
            return Plan(kind, "", lambda s, x: distances.distance_unit(s, setup))
        case "mirrored-circle":
            return Plan(kind, "", lambda s, x: angles.mirrored_circle(s, setup))
        case "angle-unit":
            return Plan(kind, "", lambda s, x: angles.packed_as_degrees(s, setup))
        case "vertical-angle-kind":
            return Plan(kind, "", lambda s, x: angles.elevation_as_zenith(s, setup))
        case "name-collision":
            labels = [s.label for s in survey.setups]
            one, two = (str(m) for m in rng.choice(labels, 2, replace=False))
            return Plan(kind, "", lambda s, x: names.name_collision(s, one, two))
        case "swapped-axes":
            return Plan(kind, "", lambda s, x: control.swapped_axes(s))
    raise ValueError(kind)


def detectable(site: Site, plan: Plan, stated: Precision) -> float:
    """Return the size (in the plan's unit) that is one minimal detectable bias; inf if unseen."""
    still = _exact_control(simulate(site, TINY, np.random.default_rng(0)))
    size = PROBE[plan.unit]
    try:
        adjustment = solve(case_of(plan.inject(still, size), stated)).adjustment
    except TieupError:
        return float("inf")
    if adjustment.weighted_sum < 1e-3:
        return float("inf")
    return size * float(np.sqrt(MDB_NONCENTRALITY / adjustment.weighted_sum))


def _exact_control(survey: Survey) -> Survey:
    """Give weighted control its true coordinates, so that only the mistake is in the data."""
    if survey.control is None:
        return survey
    place = dict(zip(survey.truth.points, survey.truth.position, strict=True))
    coordinates = np.array([place[name] for name in survey.control.names])
    return replace(survey, control=replace(survey.control, coordinates=coordinates))


__all__ = ["ARCSEC", "Plan", "detectable", "plan_discrete", "plan_sized"]
