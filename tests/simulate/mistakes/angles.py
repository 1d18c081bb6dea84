"""Mistakes in angles: aim, face, circle, notation, instrument faults (B12 to B21)."""

from __future__ import annotations

import numpy as np

from tests.simulate.draw import ARCSEC
from tests.simulate.mistakes.edit import changed, points_of, recorded, setup_of
from tests.simulate.survey import Survey, with_shots
from tieup.model.arrays import FloatArray, IntArray

TWO_PI = 2.0 * np.pi


def false_direction(survey: Survey, rows: IntArray, size: float) -> Survey:
    """Aim ``size`` (arc seconds) to the right of the target."""
    direction = survey.shots.direction
    turned = np.mod(direction[rows] + size * ARCSEC, TWO_PI)
    altered = with_shots(survey, direction=changed(direction, rows, turned))
    return _aim(altered, "direction", rows, size)


def false_zenith(survey: Survey, rows: IntArray, size: float) -> Survey:
    """Aim ``size`` (arc seconds) below the target."""
    zenith, face = survey.shots.zenith, survey.shots.face[rows]
    lowered = zenith[rows] + np.where(face == 2, -size, size) * ARCSEC
    altered = with_shots(survey, zenith=changed(zenith, rows, lowered))
    return _aim(altered, "zenith", rows, size)


def _aim(altered: Survey, kind: str, rows: IntArray, size: float) -> Survey:
    return recorded(
        altered,
        kind,
        rows,
        setup=setup_of(altered, rows),
        points=points_of(altered, rows),
        size=size,
        unit="arcsec",
    )


def face_flag(survey: Survey, rows: IntArray) -> Survey:
    """Book the other face; the circle readings stay."""
    face = survey.shots.face.copy()
    face[rows] = 3 - face[rows]
    return recorded(
        with_shots(survey, face=face),
        "face",
        rows,
        setup=setup_of(survey, rows),
        points=points_of(survey, rows),
    )


def mirrored_circle(survey: Survey, setup: str) -> Survey:
    """Read the horizontal circle of a setup anticlockwise."""
    rows = survey.rows(setup)
    direction = survey.shots.direction
    altered = with_shots(
        survey, direction=changed(direction, rows, np.mod(-direction[rows], TWO_PI))
    )
    return recorded(altered, "mirrored-circle", rows, setup=setup)


def elevation_as_zenith(survey: Survey, setup: str) -> Survey:
    """Book elevation angles (0 level, -180 to 180 degrees) under zenith."""
    rows = survey.rows(setup)
    zenith = survey.shots.zenith
    elevation = np.mod(1.5 * np.pi - zenith[rows], TWO_PI) - np.pi
    altered = with_shots(survey, zenith=changed(zenith, rows, elevation))
    return recorded(altered, "vertical-angle-kind", rows, setup=setup)


def _packed(angle: FloatArray) -> FloatArray:
    """Return what DDD.MMSSs of angles, to 0.1 second, means when read as degrees (rad)."""
    tenths = np.rint(np.mod(angle, TWO_PI) / ARCSEC * 10.0)
    degrees, rest = np.divmod(tenths, 36_000.0)
    minutes, seconds = np.divmod(rest, 600.0)
    return np.radians(np.mod(degrees, 360.0) + minutes / 100.0 + seconds / 100_000.0)


def packed_as_degrees(survey: Survey, setup: str) -> Survey:
    """Export DDD.MMSS where decimal degrees are declared; for jobs written in deg."""
    rows, shots = survey.rows(setup), survey.shots
    altered = with_shots(
        survey,
        direction=changed(shots.direction, rows, _packed(shots.direction[rows])),
        zenith=changed(shots.zenith, rows, _packed(shots.zenith[rows])),
    )
    return recorded(altered, "angle-unit", rows, setup=setup)


def collimation(survey: Survey, setup: str, size: float) -> Survey:
    """Observe with a collimation error c of ``size`` (arc seconds).

    reverse - direct grows by 2c / sin z, so a face 1 reading is c / sin z too small.
    """
    rows, shots = survey.rows(setup), survey.shots
    sign = np.where(shots.face[rows] == 2, 1.0, -1.0)
    sine = np.sin(polar_zenith(survey, rows))
    turned = np.mod(shots.direction[rows] + sign * size * ARCSEC / sine, TWO_PI)
    altered = with_shots(survey, direction=changed(shots.direction, rows, turned))
    return recorded(altered, "collimation", rows, setup=setup, size=size, unit="arcsec")


def polar_zenith(survey: Survey, rows: IntArray) -> FloatArray:
    """Return the true straight zenith angle (rad, face 1) of rows."""
    north, east, up = survey.sightline[rows].T
    return np.asarray(np.arctan2(np.hypot(north, east), up))


def vertical_index(survey: Survey, setup: str, size: float) -> Survey:
    """Observe with a vertical index error i of ``size`` (arc seconds): z1 + z2 = 360 + 2i."""
    rows, zenith = survey.rows(setup), survey.shots.zenith
    altered = with_shots(survey, zenith=changed(zenith, rows, zenith[rows] + size * ARCSEC))
    return recorded(altered, "vertical-index", rows, setup=setup, size=size, unit="arcsec")
