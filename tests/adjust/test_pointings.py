"""Tests of single pointings, against adjustments without them: one reading left out at a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import Aim, Mark, SetupPlan, Site, Survey, simulate
from tests.ties.jobs import network_of
from tieup.adjust.adjust import adjust
from tieup.adjust.pointings import PointingTests, examine_pointings
from tieup.adjust.problem import held_frame
from tieup.adjust.solution import Adjustment
from tieup.model.settings import Instrument, Precision
from tieup.reduce.sights import reduce_shots

# Angles of 4 and 6 seconds, so that targets and single readings count alike.
PRECISION = Precision({"default": Instrument(2e-5, 3e-5, 0.002, 2.0)}).with_targets_standing()
LOOKS = {"A": 1, "B": 2, "C": 3, "D": 2, "T": 4}  # pointings of each mark in face 1


def survey_of(seed: int) -> Survey:
    """Return two setups, one over a mark, that look at held marks once to three times each."""
    held = (0.0, 0.0, 0.0)
    places = {"A": (-30, -20, 4), "B": (35, -25, -2), "C": (-5, 40, 9), "D": (45, 30, 1)}
    marks = [Mark(n, 100.0 + x, 100.0 + y, 20.0 + z, held) for n, (x, y, z) in places.items()]
    marks += [Mark("T", 112.0, 120.0, 22.0), Mark("Z", 80.0, 125.0, 20.0)]
    aims = tuple(Aim(n) for n, count in LOOKS.items() for _ in range(count))
    free = SetupPlan("S1", (*aims, Aim("Z")), axis=(100.0, 100.0, 21.6), start=1e9)
    over = SetupPlan(
        "S2", tuple(a for a in aims if a.point != "D"), station="D", instrument_height=1.5,
        start=1e9 + 7200,
    )  # fmt: skip
    return simulate(Site(tuple(marks), (free, over)), PRECISION, np.random.default_rng(seed))


def solved(survey: Survey, use: np.ndarray) -> tuple[Adjustment, PointingTests]:
    """Reduce, adjust and test what is used of each raw row."""
    reduction = reduce_shots(survey.shots, survey.setups, PRECISION, use)
    network = network_of(survey, reduction)
    result = adjust(network, PRECISION, survey.refraction, held_frame(network))
    return result, examine_pointings(result, reduction.sights, reduction.pointings)


@pytest.mark.parametrize("kind", range(3))
def test_a_reading_left_out_takes_its_statistic_with_it(kind: int) -> None:
    """Of one, two, three or four pointings: the weighted sum falls by the square of the test.

    So it does when the reading is corrected by its bias, and nothing else changes: the bias is
    what the rest says of it, readings of the same sight included.
    """
    survey = survey_of(kind)
    every = np.ones((len(survey.shots), 3), dtype=bool)
    _, tests = solved(survey, every)
    taken = [0, 1, 3, 7, 8, 13, 14, 18]
    for row in taken:
        use = every.copy()
        use[row, kind] = False
        _, without = solved(survey, use)
        drop = tests.weighted_sum - without.weighted_sum
        assert tests.statistic[row, kind] ** 2 == pytest.approx(drop, abs=2e-3)  # no unit
        assert without.dof == tests.dof - 1
        column = ("direction", "zenith", "distance")[kind]
        value = getattr(survey.shots, column).copy()
        value[row] -= tests.bias[row, kind]
        right = replace(survey, shots=replace(survey.shots, **{column: value}))
        _, corrected = solved(right, every)
        assert corrected.weighted_sum == pytest.approx(without.weighted_sum, abs=2e-3)
        assert corrected.bias[row, kind] == pytest.approx(0.0, abs=2e-3 * tests.mdb[row, kind])
        size = tests.bias[row, kind] / tests.statistic[row, kind]
        assert tests.mdb[row, kind] == pytest.approx(4.1321 * size, rel=1e-4)  # Baarda's 17.075


def test_redundancy_numbers_sum_to_the_freedom_of_all_readings() -> None:
    """Readings less unknowns, counted by hand, and the share of the plumb line besides.

    Rows of three readings and three of the plumb line; two setups of four unknowns, marks T
    and Z of three. The side shot Z has its readings for itself.
    """
    survey = survey_of(5)
    result, tests = solved(survey, np.ones((len(survey.shots), 3), dtype=bool))
    rows = sum(LOOKS.values()) * 2 - LOOKS["D"] + 1
    assert len(survey.shots) == rows
    assert tests.dof == 3 * rows + 3 - 2 * 4 - 2 * 3
    plumb = result.redundancy[result.connections.plumb].sum()
    assert np.nansum(tests.redundancy) + plumb == pytest.approx(tests.dof, abs=1e-6)
    alone = survey.points.index("Z") == survey.shots.point
    assert np.abs(tests.redundancy[alone]).max() < 1e-9 and np.isnan(tests.w[alone]).all()
    assert tests.solved.all()


@pytest.mark.parametrize("kind", range(3))
def test_residuals_and_their_sds_are_those_of_means_and_deviations(kind: int) -> None:
    """Adjusted less observed from the places solved for; sd by those of reading and target."""
    survey = survey_of(9)
    result, tests = solved(survey, np.ones((len(survey.shots), 3), dtype=bool))
    number = {name: k for k, name in enumerate(result.problem.network.point_names)}
    points = np.array([number[survey.points[p]] for p in survey.shots.point])
    away = result.position[points] - result.axis[survey.shots.setup]
    away[:, 2] += survey.shots.target_height
    plan, slope = np.hypot(*away.T[:2]), np.linalg.norm(away, axis=1)
    bend = (1.0 - survey.refraction) / (2 * 6371000.0)
    adjusted = np.column_stack(
        [
            np.arctan2(away[:, 1], away[:, 0]) - result.orientation[survey.shots.setup],
            np.arctan2(plan, away[:, 2]) + bend * plan,
            slope,
        ]
    )
    shots = survey.shots
    off = adjusted - np.column_stack([shots.direction, shots.zenith, shots.distance])
    off[:, 0] -= np.round(off[:, 0] / (2 * np.pi)) * 2 * np.pi
    np.testing.assert_allclose(tests.residual[:, kind], off[:, kind], rtol=0, atol=1e-8)
    centring, height = PRECISION.centring_target, PRECISION.height_target
    rise = away[:, 2]
    target = [
        centring / plan,
        np.hypot(rise * centring, plan * height) / slope**2,
        np.hypot(plan * centring, rise * height) / slope,
    ]
    reading = [2e-5, 3e-5, 0.002 + 2e-6 * slope]
    sd = np.hypot(target[kind], reading[kind])
    np.testing.assert_allclose(tests.sd[:, kind], sd, rtol=1e-3, atol=0)


def test_residuals_over_their_own_sds_have_variance_one() -> None:
    """The mean of w squared over 60 days, each of directions, zenith angles and distances."""
    every = np.ones((23, 3), dtype=bool)
    w = np.array([solved(survey_of(100 + day), every)[1].w for day in range(60)])
    size = np.nanmean(w**2, axis=(0, 1))
    assert np.abs(size - 1.0).max() < 0.12  # 4 sds of a mean of 60 days of some 20 degrees
