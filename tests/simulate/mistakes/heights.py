"""Mistakes in heights: pole and instrument heights (catalogue B01 to B03)."""

from __future__ import annotations

from dataclasses import replace

from tests.simulate.mistakes.edit import points_of, recorded, setup_of, shifted
from tests.simulate.survey import Survey
from tieup.model.arrays import IntArray


def target_height(survey: Survey, rows: IntArray, size: float) -> Survey:
    """Leave the pole's entry as it was while the prism stood ``-size`` higher.

    Booked minus right is ``size`` (m): the rows' readings change, the booked height stays.
    """
    altered = shifted(survey, rows, (0.0, 0.0, -size))
    return recorded(
        altered,
        "target-height",
        rows,
        setup=setup_of(survey, rows),
        points=points_of(survey, rows),
        size=size,
        unit="m",
    )


def instrument_height(survey: Survey, setup: str, size: float) -> Survey:
    """Book the height of an instrument over a mark ``size`` (m) too large."""
    number = survey.setup_number(setup)
    if not survey.setups[number].station:
        raise ValueError(f"{setup} is a free station: it books no instrument height")
    booked = survey.setups[number].instrument_height + size
    setups = list(survey.setups)
    setups[number] = replace(setups[number], instrument_height=booked)
    altered = replace(survey, setups=tuple(setups))
    return recorded(
        altered, "instrument-height", survey.rows(setup), setup=setup, size=size, unit="m"
    )
