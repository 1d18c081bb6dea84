"""Mistakes in the control list (catalogue B27, B29)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulate.mistakes.edit import recorded
from tests.simulate.survey import Survey
from tieup.model.arrays import FloatArray
from tieup.model.control import Control


def _list(survey: Survey) -> Control:
    if survey.control is None:
        raise ValueError("the job has no control list")
    return survey.control


def _with(survey: Survey, coordinates: FloatArray) -> Survey:
    return replace(survey, control=replace(_list(survey), coordinates=coordinates))


def coordinate_typo(survey: Survey, mark: str, component: int, size: float) -> Survey:
    """Type one coordinate (0 N, 1 E, 2 H) of a mark ``size`` (m) too large."""
    coordinates = _list(survey).coordinates.copy()
    row = _list(survey).names.index(mark)
    coordinates[row, component] += size
    vector = np.zeros(3)
    vector[component] = size
    return _coordinate(_with(survey, coordinates), mark, size, vector)


def transposed_digits(survey: Survey, mark: str, component: int, place: int) -> Survey:
    """Swap the digits at 10**place and 10**(place - 1) metres of one coordinate.

    The error is a multiple of nine at the lower place.
    """
    value = _list(survey).coordinates[_list(survey).names.index(mark), component]
    unit = 10.0 ** (place - 1)
    # the small term keeps a printed digit such as 0.3 from falling to 0.2 in binary
    low = int(np.floor(value / unit + 1e-6)) % 10
    high = int(np.floor(value / unit / 10.0 + 1e-7)) % 10
    if low == high:
        raise ValueError(f"the digits of {mark} there are equal: nothing to swap")
    return coordinate_typo(survey, mark, component, 9.0 * unit * (low - high))


def _coordinate(altered: Survey, mark: str, size: float, vector: FloatArray) -> Survey:
    altered = recorded(
        altered, "control-coordinate", points=(mark,), size=size, unit="m", vector=vector
    )
    control = _list(altered)
    line = f"{control.file}:{control.line[control.names.index(mark)]}"
    planted = replace(altered.planted[-1], lines=(line,))
    return replace(altered, planted=(*altered.planted[:-1], planted))


def swapped_axes(survey: Survey, *marks: str) -> Survey:
    """Write northing and easting of the given marks, or of all, in each other's column."""
    control = _list(survey)
    names = marks or control.names
    rows = [control.names.index(name) for name in names]
    coordinates = control.coordinates.copy()
    coordinates[rows] = coordinates[rows][:, [1, 0, 2]]
    altered = recorded(_with(survey, coordinates), "swapped-axes", points=tuple(names))
    lines = tuple(f"{control.file}:{control.line[row]}" for row in rows)
    planted = replace(altered.planted[-1], lines=lines)
    return replace(altered, planted=(*altered.planted[:-1], planted))


def control_scale(survey: Survey, size: float) -> Survey:
    """Use plan coordinates scaled up by ``size`` ppm about their middle: grid for ground."""
    coordinates = _list(survey).coordinates.copy()
    middle = coordinates[:, :2].mean(axis=0)
    coordinates[:, :2] = middle + (coordinates[:, :2] - middle) * (1.0 + 1e-6 * size)
    return recorded(_with(survey, coordinates), "control-scale", size=size, unit="ppm")
