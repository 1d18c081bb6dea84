"""Azimuths without a length: the turn that their shape shows between two known marks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.bench.azimuth_turns import random_plan, write_plan
from tieup.config import load_job
from tieup.errors import TieupError
from tieup.network.azimuth_shapes import turn_by_shape
from tieup.network.horizontal_lines import HorizontalLines
from tieup.pipeline import run

# A braced chain: every quadrilateral is rigid in shape, the known marks lie at its ends.
PLACE = np.array([0.0, 60 + 10j, 5 + 55j, 70 + 62j, 130 + 8j, 139 + 70j, 200 + 30j])
LINES = ((0, 1), (0, 2), (1, 2), (1, 3), (2, 3), (1, 4), (3, 4), (3, 5), (4, 5), (4, 6), (5, 6))
TURN = np.radians(-143.0)


def seen(lines: tuple[tuple[int, int], ...], noise: float = 0.0) -> HorizontalLines:
    """Return lines that read their azimuth less the turn, and no length."""
    start, end = np.array(lines).T
    error = np.random.default_rng(4).normal(0.0, 1.0, len(lines)) * noise
    none = np.full(len(lines), np.nan)
    azimuth = np.angle(PLACE[end] - PLACE[start]) - TURN + error
    return HorizontalLines(start, end, azimuth, none, none, none)


def known(*nodes: int) -> np.ndarray:
    place = np.full(len(PLACE), complex(np.nan, np.nan))
    place[list(nodes)] = PLACE[list(nodes)] + 4.0e5 + 1.2e6j
    return place


def test_the_turn_is_exact_where_the_readings_are() -> None:
    """Known marks at both ends, no line between them: the turn to 1e-9 rad, either way round."""
    assert turn_by_shape(seen(LINES), known(0, 6)) == pytest.approx(TURN, abs=1e-9)
    there = tuple((b, a) for a, b in LINES)
    assert turn_by_shape(seen(there), known(0, 6)) == pytest.approx(TURN, abs=1e-9)


def test_readings_that_scatter_give_a_start() -> None:
    """20 seconds in every azimuth: the turn within 2 minutes of arc."""
    found = turn_by_shape(seen(LINES, np.radians(20 / 3600)), known(0, 6))
    assert found == pytest.approx(TURN, abs=np.radians(2 / 60))


@pytest.mark.parametrize(
    ("lines", "held"),
    [
        (LINES, (0,)),  # one known mark
        (LINES[:-1], (0, 6)),  # the last known mark slides along its only line
        (LINES[:6] + LINES[8:], (0, 6)),  # two shapes joined at one mark
        (((0, 1), (1, 2)), (5, 6)),  # known marks that no line meets
    ],
)
def test_what_shows_no_turn_gives_none(
    lines: tuple[tuple[int, int], ...], held: tuple[int, ...]
) -> None:
    """A shape that can change turns its marks any way."""
    assert np.isnan(turn_by_shape(seen(lines), known(*held)))


def test_a_job_of_azimuths_alone_is_solved_or_refused(tmp_path: Path) -> None:
    """6 plans without a distance, two known marks: within 5 sds of the truth, or told why not."""
    solved = 0
    for number in range(6):
        random = np.random.default_rng([12, number])
        plan = random_plan(random)
        job = write_plan(plan, tmp_path / str(number), 2.0, random, "azimuths: file\n")
        for path in (job / "raw").glob("*.csv"):
            rows = [line.rsplit(",", 1)[0] for line in path.read_text("utf-8").splitlines()]
            path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        try:
            table = run(load_job(job)).coordinates
        except TieupError as error:
            assert "nothing shows it" in str(error)
            continue
        solved += 1
        for name, north, east, sd_n, sd_e in zip(
            *(table[c] for c in ("point", "northing", "easting", "sd_northing", "sd_easting")),
            strict=True,
        ):
            if name in plan.place and np.isfinite(north):
                true = plan.place[name]
                assert abs(north - true.real) < 5.0 * sd_n + 1e-5, (number, name)
                assert abs(east - true.imag) < 5.0 * sd_e + 1e-5, (number, name)
    assert solved >= 3
