"""What the tests of planted mistakes look at: text lines, cells, places."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.simulate import Planted, Survey, by_hand, random_site, simulate
from tests.simulate.job import Notation, raw_texts
from tieup.model.arrays import FloatArray
from tieup.model.settings import Precision

DEG = Notation("deg", "m", "full")


def clean(seed: int = 1, **options: Any) -> Survey:
    rng = np.random.default_rng(seed)
    wanted: dict[str, Any] = {"setups": 4, "kind": "mixed", "ties": 4, "side_shots": 12}
    return simulate(random_site(rng, **(wanted | options)), Precision(), rng)


def lines(survey: Survey) -> dict[str, str]:
    """Return the raw text lines by "file:line", headers left out."""
    found = {}
    for name, text in raw_texts(survey, DEG).items():
        for number, line in enumerate(text.splitlines()[1:], start=2):
            found[f"{name}:{number}"] = line
    return found


def cells(survey: Survey) -> dict[str, dict[str, str]]:
    """Return the raw cells by column, by "file:line"."""
    found = {}
    for name, text in raw_texts(survey, DEG).items():
        header, *rows = text.splitlines()
        for number, line in enumerate(rows, start=2):
            pairs = zip(header.split(","), line.split(","), strict=True)
            found[f"{name}:{number}"] = dict(pairs)
    return found


def last(survey: Survey) -> Planted:
    return survey.planted[-1]


def placed(survey: Survey, at: str) -> FloatArray:
    """Place the mark of a row from the true axis of its setup, N, E, H in m."""
    row = cells(survey)[at]
    number = survey.truth.setups.index(row["setup"])
    axis, zero = survey.truth.axis[number], float(survey.truth.orientation[number])
    return np.array(by_hand.place(row, tuple(axis), zero, angle_unit="deg"))
