"""The whole chain of one draw - reduce, start, adjust - as a run takes it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.montecarlo.judge import assert_mean, quadratic_form
from tests.montecarlo.sites import PRECISION, SETTINGS, Setting, site_of, skewed
from tests.simulate import Site, Survey, simulate
from tieup.adjust.pointings import examine_pointings
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.solve import Solved, minimal_fit, solve

pytestmark = pytest.mark.slow

DRAWS = 150
HELD = tuple(setting for setting in SETTINGS if not setting.free)

each_setting = pytest.mark.parametrize("setting", HELD, ids=str)


@cache
def solved_draws(setting: Setting) -> tuple[tuple[Survey, Solved], ...]:
    """Return draws of a skewed instrument, each with its solution."""
    site: Site = skewed(site_of(setting))
    rng = np.random.default_rng(1000 + HELD.index(setting))
    surveys = [simulate(site, PRECISION, rng) for _ in range(DRAWS)]
    return tuple((survey, solve(case_of(survey))) for survey in surveys)


def squares(survey: Survey, solved: Solved) -> tuple[float, float]:
    """Return the mean of e' Q^-1 e of the points, and of the axes, that were found."""
    a, network = solved.adjustment, solved.network
    true = dict(zip(survey.truth.points, survey.truth.position, strict=True))
    position = np.array([true[name] for name in network.point_names]) - network.origin
    found = ~a.problem.held_point.any(axis=1)
    points = quadratic_form((a.position - position)[found], a.point_covariance[found])
    axis = a.axis - (survey.truth.axis - network.origin)
    return float(points.mean()), float(quadratic_form(axis, a.setup_covariance[:, :3, :3]).mean())


@each_setting
def test_places_of_whole_runs_have_mean_chi_square_3(setting: Setting) -> None:
    """From raw circle readings of an instrument with axis errors to coordinates."""
    means = np.array([squares(survey, solved) for survey, solved in solved_draws(setting)])
    assert_mean(means[:, 0], 3.0)
    assert_mean(means[:, 1], 3.0)


@each_setting
def test_both_fits_of_clean_draws_have_sigma0_1(setting: Setting) -> None:
    """Held to control and minimally constrained: mean of v'Pv / dof is 1."""

    def ratio(solved: Solved, adjustment: Adjustment) -> float:
        tests = examine_pointings(adjustment, solved.network.sights, solved.reduction.pointings)
        return tests.weighted_sum / tests.dof

    draws = solved_draws(setting)
    assert_mean(np.array([ratio(s, s.adjustment) for _, s in draws]), 1.0)
    assert_mean(np.array([ratio(s, minimal_fit(s)) for _, s in draws[:100]]), 1.0)


@each_setting
def test_nothing_of_a_clean_draw_is_gross(setting: Setting) -> None:
    """The start leaves no reading, station or control value of a clean draw out."""
    for _, solved in solved_draws(setting):
        start = solved.network.start
        assert not start.gross.any()
        assert not start.gross_station.any()
        assert not start.gross_control.any()
        assert solved.adjustment.iterations <= 5
