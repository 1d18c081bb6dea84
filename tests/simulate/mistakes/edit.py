"""What the injectors share: recording a mistake, renaming rows, shifting what was sighted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from tests.simulate.draw import polar
from tests.simulate.survey import Planted, Survey, rearranged, with_shots
from tieup.model.arrays import FloatArray, IntArray


def recorded(
    survey: Survey,
    kind: str,
    rows: IntArray | None = None,
    *,
    setup: str = "",
    points: tuple[str, ...] = (),
    size: float | None = None,
    unit: str = "",
    vector: ArrayLike | None = None,
) -> Survey:
    """Append the record of a mistake to an altered survey."""
    shift = None if vector is None else tuple(float(c) for c in np.asarray(vector))
    planted = Planted(
        kind=kind,
        setup=setup,
        points=points,
        lines=() if rows is None else survey.lines(rows),
        size=size,
        unit=unit if size is not None else "",
        vector=shift,  # type: ignore[arg-type]  # three components
    )
    return replace(survey, planted=(*survey.planted, planted))


def setup_of(survey: Survey, rows: IntArray) -> str:
    """Return the label of the one setup that rows belong to."""
    labels = {survey.setups[i].label for i in survey.shots.setup[rows]}
    if len(labels) != 1:
        raise ValueError(f"rows of one setup wanted, these are of {sorted(labels)}")
    return str(labels.pop())


def points_of(survey: Survey, rows: IntArray) -> tuple[str, ...]:
    """Return the point names of rows, each once, in row order."""
    return tuple(dict.fromkeys(survey.points[i] for i in survey.shots.point[rows]))


def changed(column: FloatArray, rows: IntArray, values: ArrayLike) -> FloatArray:
    """Return a copy of a column with other values in some rows."""
    column = column.copy()
    column[rows] = values
    return column


def shifted(survey: Survey, rows: IntArray, shift: ArrayLike) -> Survey:
    """Move what rows sighted by ``shift`` (N, E, H in m; (3,) or (n, 3)) against the axis.

    Noise stays as drawn: each reading changes by the exact difference of the geometry.
    """
    before = survey.sightline[rows]
    after = before + np.asarray(shift)
    step = polar(after, survey.refraction) - polar(before, survey.refraction)
    shots = survey.shots
    face = np.where(shots.face[rows] == 2, -1.0, 1.0)
    moved = with_shots(
        survey,
        direction=changed(
            shots.direction, rows, np.mod(shots.direction[rows] + step[:, 0], 2 * np.pi)
        ),
        zenith=changed(shots.zenith, rows, shots.zenith[rows] + face * step[:, 1]),
        distance=changed(shots.distance, rows, shots.distance[rows] + step[:, 2]),
    )
    return replace(moved, sightline=changed(survey.sightline, rows, after))


def renamed(survey: Survey, names: dict[int, str]) -> Survey:
    """Give rows (by index) other point names."""
    written = [survey.points[i] for i in survey.shots.point]
    for row, name in names.items():
        written[row] = name
    points = tuple(dict.fromkeys([*survey.points, *written]))
    number = {name: i for i, name in enumerate(points)}
    column = np.array([number[name] for name in written], dtype=np.int64)
    altered = replace(with_shots(survey, point=column), points=points)
    return rearranged(altered, np.arange(len(survey)))
