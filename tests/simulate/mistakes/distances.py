"""Mistakes in distances (catalogue B07 to B11)."""

from __future__ import annotations

from tests.simulate.mistakes.edit import changed, points_of, recorded, setup_of
from tests.simulate.survey import Survey, with_shots
from tieup.model.arrays import IntArray

METRES_PER_FOOT = 0.3048  # international foot, exact by definition


def prism_constant(survey: Survey, setup: str, size: float, target: str = "prism") -> Survey:
    """Measure every distance of a setup to one kind of target ``size`` (m) too long."""
    rows = survey.rows(setup)
    rows = rows[survey.shots.target[rows] == target]
    distance = survey.shots.distance
    altered = with_shots(survey, distance=changed(distance, rows, distance[rows] + size))
    return recorded(altered, "prism-constant", rows, setup=setup, size=size, unit="m")


def distance_scale(survey: Survey, setup: str, size: float) -> Survey:
    """Measure every distance of a setup ``size`` ppm too long."""
    rows = survey.rows(setup)
    distance = survey.shots.distance
    scaled = distance[rows] * (1.0 + 1e-6 * size)
    altered = with_shots(survey, distance=changed(distance, rows, scaled))
    return recorded(altered, "distance-scale", rows, setup=setup, size=size, unit="ppm")


def distance_unit(survey: Survey, setup: str, ratio: float = 1.0 / METRES_PER_FOOT) -> Survey:
    """Book the distances of a setup in another unit; ``ratio`` is raw over right."""
    rows = survey.rows(setup)
    distance = survey.shots.distance
    altered = with_shots(survey, distance=changed(distance, rows, distance[rows] * ratio))
    return recorded(altered, "distance-unit", rows, setup=setup, size=ratio, unit="ratio")


def false_distance(survey: Survey, rows: IntArray, size: float) -> Survey:
    """Take distances ``size`` (m) too long: a hit beyond the point, a wet surface."""
    distance = survey.shots.distance
    altered = with_shots(survey, distance=changed(distance, rows, distance[rows] + size))
    return recorded(
        altered,
        "distance",
        rows,
        setup=setup_of(survey, rows),
        points=points_of(survey, rows),
        size=size,
        unit="m",
    )
