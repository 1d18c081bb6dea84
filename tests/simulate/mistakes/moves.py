"""Things that moved: the instrument within a setup, a mark between setups (B16, B17, B28)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tests.simulate.draw import ARCSEC
from tests.simulate.mistakes.edit import changed, recorded, setup_of, shifted
from tests.simulate.survey import Survey, with_shots
from tieup.model.arrays import IntArray


def instrument_turned(survey: Survey, first_row: int, size: float) -> Survey:
    """Bump the instrument before ``first_row``: from there on its setup reads ``size`` more.

    ``size`` in arc seconds; the instrument's position stays.
    """
    rows = _from(survey, first_row)
    direction = survey.shots.direction
    turned = np.mod(direction[rows] + size * ARCSEC, 2.0 * np.pi)
    altered = with_shots(survey, direction=changed(direction, rows, turned))
    setup = setup_of(survey, rows)
    return recorded(altered, "instrument-moved", rows, setup=setup, size=size, unit="arcsec")


def instrument_settled(survey: Survey, first_row: int, size: float, *, drift: bool) -> Survey:
    """Let the instrument sink by ``size`` (m) from ``first_row`` on: points come out too high.

    Booked minus right of the axis height is ``size``. With ``drift`` it sinks steadily, by
    rows, to ``size`` at the last row of the setup; otherwise at once.
    """
    rows = _from(survey, first_row)
    share = (np.arange(len(rows)) + 1) / len(rows) if drift else np.ones(len(rows))
    sunk = np.column_stack([np.zeros((len(rows), 2)), size * share])
    setup = setup_of(survey, rows)
    return recorded(
        shifted(survey, rows, sunk), "instrument-settled", rows, setup=setup, size=size, unit="m"
    )


def mark_moved(survey: Survey, point: str, since: str, vector: ArrayLike) -> Survey:
    """Kick a mark by ``vector`` (N, E, H in m) before the setup ``since``.

    Every row to it from that setup on sees the new place; a later setup over the mark stands
    at the new place. ``size`` is the length of the vector.
    """
    later = survey.shots.setup >= survey.setup_number(since)
    sights = later & (survey.aimed == survey.truth.points.index(point))
    stands = np.array([setup.station == point for setup in survey.setups])
    over = later & stands[survey.shots.setup]
    shift = np.outer(sights.astype(float) - over.astype(float), np.asarray(vector))
    rows = np.flatnonzero(sights | over)
    return recorded(
        shifted(survey, rows, shift[rows]),
        "mark-moved",
        rows,
        points=(point,),
        size=float(np.linalg.norm(vector)),
        unit="m",
        vector=vector,
    )


def _from(survey: Survey, first_row: int) -> IntArray:
    rows = np.arange(first_row, len(survey))
    return np.asarray(rows[survey.shots.setup[rows] == survey.shots.setup[first_row]])
