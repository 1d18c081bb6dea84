"""Gear stated too good: the scatter is told as such, and mistakes are what stands out of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.make_sample import surveys
from tests.simulate import Survey, random_site, simulate
from tieup.diagnose.diagnose import diagnose
from tieup.diagnose.noise import own_scatter, scaled
from tieup.diagnose.solve import solve
from tieup.model.settings import Precision

Yards = dict[str, Survey]


def stated(times: float) -> Precision:
    """Return a precision stated so many times better than the one that data are drawn with."""
    return scaled(Precision(), np.full(3, 1.0 / times))


@pytest.fixture(scope="module")
def yards() -> Yards:
    return surveys()


@pytest.mark.parametrize("times", [2.0, 4.0, 8.0])
def test_a_clean_day_with_gear_stated_too_good_has_no_mistakes(yards: Yards, times: float) -> None:
    """Nothing is left out: the readings scatter, and no single one is to blame."""
    case = case_of(yards["fire_station_clean"], stated(times))
    found = diagnose(case)
    assert found.mistakes == ()
    assert found.solved.case.precision == case.precision  # the solution keeps what was stated


@pytest.mark.parametrize("times", [2.0, 4.0, 8.0])
def test_the_planted_mistakes_stand_out_of_the_scatter(yards: Yards, times: float) -> None:
    """The three mistakes of the day are found, and nothing else, however good the stated gear."""
    found = diagnose(case_of(yards["fire_station"], stated(times))).mistakes
    assert {(m.kind, m.setup, m.points) for m in found} == {
        ("swapped-names", "S2", ("T5", "T6")),
        ("target-height", "S3", ("CP5",)),
        ("mark-moved", "", ("CP8",)),
    }


def test_the_scatter_is_seen_in_the_middle_of_the_residuals(yards: Yards) -> None:
    """A quarter of the true sds: the first look, which is crude, sees 1.5 to 8 times in each kind.

    As drawn, nothing is seen.
    """
    solved = solve(case_of(yards["fire_station_clean"], stated(4.0)))
    scatter = own_scatter(solved)
    assert scatter is not None
    assert scatter.min() > 1.5
    assert scatter.max() < 8.0
    assert own_scatter(solve(case_of(yards["fire_station_clean"]))) is None


def test_mistakes_of_a_day_with_good_gear_are_not_called_scatter(yards: Yards) -> None:
    """The day with three mistakes, stated as drawn: all three are found."""
    found = diagnose(case_of(yards["fire_station"])).mistakes
    assert {m.kind for m in found} == {"swapped-names", "target-height", "mark-moved"}


def test_few_small_jobs_with_bad_gear_raise_mistakes() -> None:
    """Of 30 clean jobs stated twice too good at most 12 show any, together at most 30.

    Small jobs whose readings hardly check each other cannot tell the two apart.
    """
    rng, counts = np.random.default_rng(5), []
    while len(counts) < 30:
        try:
            site = random_site(
                rng, setups=int(rng.integers(3, 8)), ties=int(rng.integers(4, 8)), side_shots=4
            )
        except ValueError:
            continue
        survey = simulate(site, Precision(), rng)
        counts.append(len(diagnose(case_of(survey, stated(2.0))).mistakes))
    assert sum(count > 0 for count in counts) <= 12
    assert sum(counts) <= 30


def test_only_what_scatters_is_scaled() -> None:
    """Distances alone three times as coarse: angles and their centring stay as stated."""
    plain, coarse = Precision(), scaled(Precision(), np.array([1.0, 1.0, 3.0]))
    one, other = plain.instruments["default"], coarse.instruments["default"]
    assert other == replace(
        one, distance_constant=3.0 * one.distance_constant, distance_ppm=3.0 * one.distance_ppm
    )
    assert coarse.centring_target == plain.centring_target
