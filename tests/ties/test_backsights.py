"""A setup against itself: closing shots, drift, faces."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulate import ARCSEC, InstrumentFault, random_site, simulate
from tests.simulate.mistakes import instrument_settled, instrument_turned, no_closing_backsight
from tests.ties.evidence import gather
from tests.ties.jobs import reduction_of
from tieup.model.settings import Precision
from tieup.reduce.backsights import closings, drift
from tieup.reduce.visits import Visits, find_visits


def _visits(survey):
    reduction = reduction_of(survey)
    return find_visits(survey.fieldbook.shots, reduction.pointings, reduction.sights)


def _closings(survey):
    return closings(_visits(survey), survey.fieldbook.shots.role, survey.precision)


def _survey(seed=1, **kinds):
    rng = np.random.default_rng(seed)
    return simulate(random_site(rng, setups=3, side_shots=12, **kinds), Precision(), rng)


def test_a_knocked_instrument_shows_in_the_closing_direction():
    """A turn of 40 seconds half-way through a setup: closing differs from opening by it."""
    survey = _survey()
    clean = _closings(survey)
    first = int(survey.rows("S2", role="side")[0])
    turned = _closings(instrument_turned(survey, first, 40.0))
    own = np.flatnonzero(turned.setup == 1)
    change = turned.change[own, 0] - clean.change[own, 0]
    assert np.abs(np.abs(change) - 40 * ARCSEC).max() < 0.5 * ARCSEC
    others = turned.setup != 1
    assert np.abs(turned.change[others] - clean.change[others]).max() < 1e-6
    assert turned.backsight.all() and (turned.between > 0).all()


def test_settling_legs_show_in_the_closing_height():
    """Legs that settle 6 mm put the closing backsight 6 mm higher against the instrument."""
    survey = _survey()
    clean = _closings(survey)
    first = int(survey.rows("S2", role="side")[0])
    settled = _closings(instrument_settled(survey, first, 0.006, drift=False))
    own = settled.setup == 1
    change = settled.change[own, 2] - clean.change[own, 2]
    assert np.abs(np.abs(change) - 0.006).max() < 1e-4  # m


def test_a_setup_that_never_looked_back_has_no_closing():
    """Without its closing backsight a setup has none, however well it fits."""
    survey = no_closing_backsight(_survey(), "S3")
    assert sorted(set(_closings(survey).setup.tolist())) == [0, 1]


def test_sds_of_closings_cover_what_is_drawn():
    """Direction, distance and height changes of 300 clean setups against their sds.

    The simulator leaves the target standing between the visits, so what is drawn is the
    pointing part alone: the variance ratio to pointing plus a target set up twice is below 1.
    """
    ratios = []
    for seed in range(100):
        found = _closings(_survey(seed))
        ratios.append(found.change / found.sd)
    variance = np.var(np.concatenate(ratios), axis=0)
    assert (variance < 1.0).all() and (variance > 0.02).all()


def test_a_steady_drift_is_found():
    """Directions that turn by 60 seconds an hour: the fitted rate is that."""
    survey = _survey(4)
    visits = _visits(survey)
    rate = 60 * ARCSEC / 3600
    own = visits.setup == 1
    turning = visits.direction + np.where(own, rate * (visits.time - visits.time[own][0]), 0.0)
    moved = drift(type(visits)(**{**vars(visits), "direction": turning}), 3, survey.precision)
    clean = drift(visits, 3, survey.precision)
    assert abs(moved.turn[1] - clean.turn[1] - rate) < 1e-12
    assert abs(moved.turn[0] - clean.turn[0]) < 1e-15
    assert moved.looks.tolist() == [2, 2, 2]


def test_drift_is_the_weighted_slope_of_what_was_seen_again():
    """Two setups, five marks, looks known unlike each other: slopes and sds by `numpy.linalg`.

    Each mark has a level of its own, so what was seen once says nothing; nor does a look without
    a time or a height. Directions to either side of zero are one course.
    """
    rng = np.random.default_rng(2)
    setup = np.array([0] * 9 + [1] * 5 + [2] * 2)
    point = np.array([0, 1, 2, 0, 3, 1, 0, 4, 1, 0, 4, 0, 4, 3, 1, 2])
    count = len(setup)
    time = 1000.0 + 300.0 * np.arange(count) + rng.uniform(0, 99, count)
    time[5] = np.nan
    direction = (0.7 * point + 1e-6 * (time - 1000.0) + rng.normal(size=count) * 1e-5) % (2 * np.pi)
    direction[point == 0] = (direction[point == 0] + 2 * np.pi - 0.0005) % (2 * np.pi)
    rise = 0.2 * point - 2e-6 * (time - 1000.0) + rng.normal(size=count) * 1e-4
    rise[3] = np.nan
    distance = 20.0 + 9.0 * point
    sd = np.column_stack([rng.uniform(1e-5, 3e-5, count), rng.uniform(2e-5, 6e-5, count), distance])
    ones = np.ones((count, 3), dtype=np.int64)
    visits = Visits(setup, point, direction, direction, distance, ones, sd, rise, time, point)
    found = drift(visits, 3, Precision(centring_target=0.001, height_target=0.0007))
    assert found.looks.tolist() == [5, 4, 0]
    kinds = (
        (direction, np.hypot(sd[:, 0], 0.001 / distance), found.turn, found.turn_sd),
        (rise, np.hypot(sd[:, 1] * distance, 0.0007), found.rise, found.rise_sd),
    )
    for value, each, slope, slope_sd in kinds:
        for s in (0, 1):
            own = np.flatnonzero((setup == s) & np.isfinite(value) & np.isfinite(time))
            of_mark = (point[own][:, None] == np.unique(point[own])).astype(float)
            rows = np.column_stack([of_mark, time[own] - 1000.0]) / each[own, None]
            near = value[own]
            if value is direction:  # each mark's readings about its first
                first = np.array([near[point[own] == p][0] for p in point[own]])
                near = first + (near - first + np.pi) % (2 * np.pi) - np.pi
            solution = np.linalg.lstsq(rows, near / each[own], rcond=None)[0]
            spread = np.linalg.inv(rows.T @ rows)[-1, -1] ** 0.5
            assert slope[s] == pytest.approx(solution[-1], rel=1e-6)
            assert slope_sd[s] == pytest.approx(spread, rel=1e-9)
        assert np.isnan(slope[2]) and np.isnan(slope_sd[2])
    assert found.span[:2] == pytest.approx([time[8] - time[0], time[12] - time[9]])
    assert np.isnan(found.span[2])


def test_faces_show_collimation_and_index():
    """An instrument with 2c = 50 and 2i = -36 seconds: every pair shows it within its scatter."""
    rng = np.random.default_rng(3)
    site = random_site(rng, setups=3, side_shots=5)
    fault = InstrumentFault(collimation=25 * ARCSEC, index=-18 * ARCSEC)
    site = type(site)(site.marks, site.setups, site.refraction, {"default": fault})
    pairs = gather(simulate(site, Precision(), rng)).face_pairs
    two_c, two_i = pairs.two_c / ARCSEC, pairs.two_i / ARCSEC
    scatter = 2.0 * np.sqrt(2.0)  # seconds: two pointings of 2 seconds
    assert len(two_c) > 10
    assert abs(two_c.mean() - 50) < 4 * scatter / np.sqrt(len(two_c))
    assert abs(two_i.mean() + 36) < 4 * scatter / np.sqrt(len(two_i))
    assert 0.5 * scatter < two_c.std() < 1.6 * scatter


def test_visits_are_the_crews_looks():
    """Backsight, marks, side shots, backsight again: that many visits, in recorded order."""
    survey = _survey(2, ties=4)
    visits = _visits(survey)
    own = visits.setup == 0
    names = [survey.points[p] for p in visits.point[own]]
    assert len(names) == 4 + 12 + 1
    assert names[0] == names[-1]
    assert visits.count[own][0].tolist() == [2, 2, 2]


def test_the_backsight_is_the_booked_one_else_the_first_mark():
    """S1 opens on a check shot and books the second mark; S2 books none. By hand, mark by mark."""
    looks = [(0, "A", ""), (0, "B", "backsight"), (0, "X", "side"), (0, "A", ""), (0, "B", "check"),
             (1, "A", ""), (1, "B", ""), (1, "X", "side"), (1, "B", ""), (1, "A", "")]  # fmt: skip
    count = len(looks)
    along = np.arange(count, dtype=float)
    visits = Visits(
        setup=np.array([setup for setup, _, _ in looks]),
        point=np.array(["ABX".index(name) for _, name, _ in looks]),
        direction=1.0 + 1e-5 * along,
        zenith=np.full(count, 1.5),
        distance=50.0 + 0.001 * along,
        count=np.ones((count, 3), dtype=np.int64),
        sd=np.tile([1e-5, 2e-5, 0.002], (count, 1)),
        rise=2.0 + 0.0003 * along**2,
        time=60.0 * along,
        first_row=np.arange(count),
    )
    role = np.array([role for *_, role in looks], dtype=object)
    found = closings(visits, role, Precision(centring_target=0.001, height_target=0.0005))
    assert found.setup.tolist() == [0, 0, 1, 1] and found.point.tolist() == [0, 1, 0, 1]
    assert found.backsight.tolist() == [False, True, True, False]
    assert found.between.tolist() == [2, 2, 3, 1]
    assert found.lapse.tolist() == [180.0, 180.0, 240.0, 120.0]
    expected = [[3e-5, 0.003, 0.0003 * 9], [3e-5, 0.003, 0.0003 * 15],
                [4e-5, 0.004, 0.0003 * 56], [2e-5, 0.002, 0.0003 * 28]]  # fmt: skip
    np.testing.assert_allclose(found.change, expected, rtol=0, atol=1e-12)  # rad, m, m
    # Each look has its pointing and its target: direction and height at the longer distance.
    away = np.array([50.003, 50.004, 50.009, 50.008])
    np.testing.assert_allclose(found.distance, away, rtol=0, atol=1e-12)
    sds = [np.hypot(1e-5, 0.001 / away), np.full(4, np.hypot(0.002, 0.001)),
           np.hypot(2e-5 * away, 0.0005)]  # fmt: skip
    np.testing.assert_allclose(found.sd, np.sqrt(2.0) * np.column_stack(sds), rtol=0, atol=1e-12)
