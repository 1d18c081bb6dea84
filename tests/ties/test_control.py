"""The control's own test."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import Survey, random_site, simulate
from tests.simulate.survey import with_shots
from tests.ties.jobs import network_of, simulated_yard
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.model.settings import Precision
from tieup.ties.control_test import ControlTest, _scale_explains, _which, control_test


def _test(survey: Survey) -> tuple[ControlTest, tuple[str, ...]]:
    network = network_of(survey)
    fits = [
        adjust(network, survey.precision, survey.refraction, frame(network))
        for frame in (held_frame, minimal_frame)
    ]
    return control_test(*fits), network.point_names


def _listed(survey: Survey, coordinates: np.ndarray) -> Survey:
    return replace(survey, control=replace(survey.control, coordinates=coordinates))


@pytest.mark.parametrize("kind", ["weighted", "held"])
def test_the_mark_that_is_out_is_named(kind):
    """One control coordinate 40 mm wrong in the list: that mark, that component, that size."""
    if kind == "weighted":
        survey, name = simulated_yard(1), "CP4"
    else:
        rng = np.random.default_rng(2)
        survey = simulate(random_site(rng, setups=5, ties=5, side_shots=0), Precision(), rng)
        name = survey.control.names[1]
    wrong = survey.control.coordinates.copy()
    row = survey.control.names.index(name)
    clean, _ = _test(survey)
    wrong[row, 1] += 0.040
    test, points = _test(_listed(survey, wrong))
    out = [points[p] for p in test.point[test.out_plan]]
    assert out == [name]
    assert not test.out_height.any()
    at = int(np.flatnonzero(test.point == points.index(name))[0])
    change = test.difference[at] - clean.difference[at]
    assert np.abs(change - [0.0, -0.040, 0.0]).max() < 1e-4  # survey minus list, m
    assert not test.control.passed and not test.held.passed
    assert clean.control.statistic < test.control.statistic


def test_the_observations_pass_while_the_control_fails():
    """The free fit of the same rows does not see the wrong list: it tests the observations."""
    survey = simulated_yard(3)
    wrong = survey.control.coordinates.copy()
    wrong[2, 2] -= 0.025
    clean, _ = _test(survey)
    test, _ = _test(_listed(survey, wrong))
    assert abs(test.minimal.statistic - clean.minimal.statistic) < 1e-3
    assert test.held.statistic > clean.held.statistic + 100
    assert test.control.dof == test.held.dof - test.minimal.dof


def test_a_list_at_another_scale_is_told_from_a_wrong_mark():
    """Coordinates stretched by 150 ppm: the scale is found, no mark is blamed."""
    survey = simulated_yard(4)
    listed = survey.control.coordinates.copy()
    middle = listed[:, :2].mean(axis=0)
    listed[:, :2] = middle + (listed[:, :2] - middle) * (1 + 150e-6)
    test, _ = _test(_listed(survey, listed))
    assert test.by_scale and not test.out_plan.any()
    assert abs(test.scale + 150e-6) < 4 * test.scale_sd
    assert test.similarity is not None
    assert abs(test.similarity.scale - 1 - 150e-6) < 4 * test.similarity.sd_scale


def test_two_marks_cannot_be_told_apart():
    """A net on two control marks whose distance is wrong: both are named, and that it is open."""
    rng = np.random.default_rng(6)
    survey = simulate(random_site(rng, setups=3, ties=4, side_shots=0), Precision(), rng)
    keep = np.arange(2)
    control = survey.control
    coordinates = control.coordinates[keep].copy()
    apart = coordinates[1, :2] - coordinates[0, :2]
    coordinates[1, :2] += 0.05 * apart / np.hypot(*apart)
    short = replace(
        control,
        names=control.names[:2],
        coordinates=coordinates,
        sd=control.sd[keep] + 0.001,
        line=control.line[keep],
        notes=control.notes[:2],
    )
    test, _ = _test(replace(survey, control=short))
    if test.by_scale:
        assert not test.out_plan.any()
    else:
        assert test.out_plan.all() and not test.told[0]


@pytest.mark.parametrize("kind", ["held", "weighted"])
def test_a_mark_let_go_is_where_the_survey_has_it_without_its_coordinates(kind):
    """Of every mark: where a fit without its coordinates puts it, and by how much the sum falls.

    Plan and height by themselves have the chi-square of their part of the covariance.
    """
    rng = np.random.default_rng(2)
    site = random_site(rng, setups=4, ties=5, control=kind, side_shots=0)
    survey = simulate(site, Precision(), rng)
    listed = survey.control.coordinates + rng.normal(size=survey.control.coordinates.shape) * 0.003
    survey = _listed(survey, listed)
    test, _ = _test(survey)
    network = network_of(survey)
    held = adjust(network, survey.precision, survey.refraction, held_frame(network))
    assert len(test.point) >= 4 and np.isfinite(test.difference).all()
    for row, point in enumerate(test.point.tolist()):
        given, sd = network.control.copy(), network.control_sd.copy()
        given[point] = sd[point] = np.nan
        free = replace(network, control=given, control_sd=sd)
        again = adjust(free, survey.precision, survey.refraction, held_frame(free))
        shift, covariance = test.difference[row], test.covariance[row]
        apart = again.position[point] - network.control[point]
        np.testing.assert_allclose(shift, apart, rtol=0, atol=2e-6)  # m
        fall = held.weighted_sum - again.weighted_sum
        assert shift @ np.linalg.solve(covariance, shift) == pytest.approx(fall, rel=2e-3, abs=0.01)
        plan = shift[:2] @ np.linalg.solve(covariance[:2, :2], shift[:2])
        assert test.statistic[row] == pytest.approx([plan, shift[2] ** 2 / covariance[2, 2]])
        assert test.freedom[row].tolist() == [2, 1]


def test_the_scale_is_what_all_distances_are_off_by():
    """All distances longer by 100 ppm: the scale grows by that; taken off the sum falls by w^2."""
    survey = simulated_yard(4)

    def longer(factor):
        return with_shots(survey, distance=survey.shots.distance * factor)

    clean, _ = _test(survey)
    test, _ = _test(longer(1.0001))
    assert test.scale - clean.scale == pytest.approx(100e-6, abs=1e-7)
    assert test.scale_sd == pytest.approx(clean.scale_sd, rel=1e-3)
    back, _ = _test(longer(1.0001 / (1.0 + test.scale)))
    fall = test.held.statistic - back.held.statistic
    assert (test.scale / test.scale_sd) ** 2 == pytest.approx(fall, rel=1e-3)


@pytest.mark.parametrize(
    ("plan", "height", "out_plan", "out_height", "told"),
    [
        ([3, 2, 1], [2, 3, 1], [0, 0, 0], [0, 0, 0], (True, True)),
        # of six tests at 1 % the clearest has a chance of 1 in 600: 12.8 of two degrees, 9.9 of one
        ([12.9, 2, 1], [2, 3, 1], [1, 0, 0], [0, 0, 0], (True, True)),
        ([12.7, 2, 1], [2, 3, 9.8], [0, 0, 0], [0, 0, 0], (True, True)),
        ([3, 2, 1], [10.0, 3, 1], [0, 0, 0], [1, 0, 0], (True, True)),
        # within a tenth of the clearest a mark may be the wrong one as well
        ([60, 54.5, 53.5], [1, 2, 3], [1, 1, 0], [0, 0, 0], (False, True)),
        ([60, 2, np.nan], [70, 64, 90], [1, 0, 0], [0, 0, 1], (True, True)),
        ([60, 2, np.nan], [82, 64, 90], [1, 0, 0], [1, 0, 1], (True, False)),
    ],
)
def test_which_marks_are_out_and_whether_they_can_be_told(plan, height, out_plan, out_height, told):
    """Worked by hand: the clearest beyond chance, and those that explain nine tenths as much."""
    statistic = np.array([plan, height], dtype=float).T
    freedom = np.where(np.isnan(statistic), 0, [2, 1])
    out, found = _which(statistic, freedom)
    assert out.astype(int).T.tolist() == [out_plan, out_height]
    assert found == told


@pytest.mark.parametrize(
    ("w", "plan", "explains"),
    [
        (8.0, [5.0, 3.0], True),
        (8.0, [70.0, 3.0], False),  # the mark's chance is the smaller
        # log chances: -34.3 of the scale; of the marks -30.7 and -31.0, over 0.9 -34.2 and -34.4
        (8.0, [61.5, 3.0], True),
        (8.0, [62.0, 3.0], False),
        (2.5, [0.1, 0.1], False),  # a chance of 1.2 %
        (2.6, [0.1, 0.1], True),
        (-2.6, [0.1, np.nan], True),
        (np.nan, [5.0, 3.0], False),
        (8.0, [np.nan, np.nan], False),
    ],
)
def test_a_scale_explains_what_no_mark_explains_nearly_as_well(w, plan, explains):
    """Beyond chance at 1 %, and its log chance a ninth beyond that of the clearest mark."""
    statistic = np.array(plan)
    freedom = np.where(np.isnan(statistic), 0, 2)
    assert bool(_scale_explains(w * 1e-5, 1e-5, statistic, freedom)) == explains


@pytest.mark.slow
def test_clean_control_is_left_alone():
    """In 100 clean yards a mark or a scale is called out in at most 4 (nominal 1 to 2)."""
    called = 0
    for seed in range(100):
        rng = np.random.default_rng(500 + seed)
        control = ("held", "weighted")[seed % 2]
        site = random_site(rng, setups=4, ties=4, control=control, side_shots=0)
        test, _ = _test(simulate(site, Precision(), rng))
        called += bool(test.out_plan.any() or test.out_height.any() or test.by_scale)
    assert called <= 4


@pytest.mark.slow
def test_sds_of_the_scale_and_of_the_marks():
    """Scale and mark differences of 300 draws of one yard against their predicted sds."""
    rng = np.random.default_rng(9)
    site = random_site(rng, setups=4, ties=5, control="weighted", side_shots=0)
    scales, shifts, test = [], [], None
    for _ in range(300):
        test, _ = _test(simulate(site, Precision(), rng))
        scales.append(test.scale)
        shifts.append(test.difference)
    assert abs(np.var(scales) / test.scale_sd**2 - 1) < 4 * np.sqrt(2 / 300)
    ratio = np.var(shifts, axis=0) / test.sd**2
    assert abs(ratio.mean() - 1) < 0.06
