"""What a joint of strings measures and what would stand out in it, tried and worked out anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.simulate import Aim, Site, in_faces, simulate
from tests.simulate.mistakes.edit import shifted
from tests.ties.jobs import network_of, reduction_of, solve
from tests.ties.test_carried import met, propagated, reading_of, ways_of
from tests.ties.test_joints import _curb, _curb_rows, _joints
from tieup.adjust.cofactors import point_covariance
from tieup.linework.site_lines import find_lines
from tieup.model.settings import Precision
from tieup.ties.carried import off_course, roughness
from tieup.ties.change_over_readings import GAP, GRADE, KINK, STEP, smoothness
from tieup.ties.joints import LEVEL
from tieup.ties.marks import mark_ties

MM = 1e-3


def _places(survey, names):
    """Return the delivered places of points and their joint covariance."""
    result = solve(survey)
    number = [result.problem.network.point_names.index(name) for name in names]
    size = 3 * len(number)
    joint = point_covariance(result, np.array(number)).reshape(size, size)
    return result, result.position[number], joint


@pytest.mark.parametrize("seed", [3, 4])
def test_what_shows_is_the_least_change_of_a_run_that_stands_out(seed):
    """A run raised or lowered by 0.02 mm more stands out, by 0.02 mm less against its step not."""
    survey = simulate(_curb(shared=False), Precision(), np.random.default_rng(seed))
    clean = _joints(survey)
    shows, against = float(clean.shows[0]), -float(np.sign(clean.value[0, STEP]))
    rows = _curb_rows(survey, "S2")

    def stands(change):
        joints = _joints(shifted(survey, rows, np.array([0.0, 0.0, change])))
        return bool(joints.stands[0])

    assert not clean.stands[0]
    assert stands(against * (shows + 0.02 * MM)) and stands(-against * (shows + 0.02 * MM))
    assert not stands(against * (shows - 0.02 * MM))


def test_a_joint_without_a_shared_point_is_read_off_four_points():
    """Step by the lines carried on, gap and kinks by lines in the plane, each with its sd.

    The gap has the line's own sideways scatter besides; what is clear is the step beyond what the
    shape may make of it, in sds of a line carried over the whole gap.
    """
    survey = simulate(_curb(shared=False, bend=0.02), Precision(), np.random.default_rng(6))
    joints = _joints(survey)
    result, place, joint = _places(survey, ["4", "5", "6", "7"])
    line = find_lines(survey.shots, np.zeros(len(survey.shots), bool), result.position)[0]
    runs = [piece for run in line.runs for piece in run.pieces]
    own = smoothness(runs, result.position).sd
    rough = roughness(off_course(runs, result.position))
    ways, heights = ways_of(place), joint[2::3, 2::3] + rough**2 * np.eye(4)

    def carried(ends):
        return propagated(
            lambda up: met(np.column_stack([place[:, :2], up]), ends), place[:, 2], heights, 0.5
        )

    step, far = met(place, ways), sum(ways)
    farthest = max(carried(ends) for ends in (ways, (far, 0.0), (0.0, far)))
    assert abs(joints.value[0, STEP] - step) < 1e-9  # m
    assert abs(joints.sd[0, STEP] - carried(ways)) < 1e-8
    beyond = max(abs(step) - joints.unsure[0], 0.0) / farthest
    assert abs(joints.clear[0] - beyond) < 1e-6
    high = _joints(shifted(survey, _curb_rows(survey, "S2"), np.array([0.0, 0.0, 0.03])))
    beyond = (abs(high.value[0, STEP]) - high.unsure[0]) / farthest
    assert beyond > 3.0 and abs(high.clear[0] - beyond) < 0.1  # sds; steeper
    expected = reading_of(place)
    np.testing.assert_allclose(joints.value[0, 1:], expected[1:], rtol=0, atol=1e-9)  # m, rad
    for part in (GAP, KINK, GRADE):
        sd = propagated(lambda at, part=part: reading_of(at)[part], place, joint, 1e-3)
        sd = np.hypot(sd, own[GAP]) if part == GAP else sd
        assert abs(joints.sd[0, part] - sd) < 1e-8  # m, rad
    chi = (joints.value[0, GAP] / joints.sd[0, GAP]) ** 2
    assert abs(joints.gap_statistic[0] - chi) < 1e-9 and joints.gap_freedom[0] == 1
    critical = stats.norm.isf(LEVEL / 2.0)
    shows = abs(step) + joints.unsure[0] + critical * farthest
    assert abs(joints.shows[0] - shows) < 1e-8  # m


@pytest.mark.parametrize("third", [False, True])
def test_a_shared_point_is_two_placements_of_it(third):
    """S2 sees the curb 5 mm north, 8 mm east, 12 mm high: difference, size and chi-square.

    Whether only the two know the point or a third setup does too. The covariance of the
    difference is that of the tie, or of the comparison; its size has the sd along itself.
    """
    site = _curb(shared=True)
    if third:
        aims = [a for n in "ABCDE" for a in in_faces(Aim(n), 1, 2)]
        plan = replace(
            site.setups[0], label="S3", axis=(125.0, 90.0, 21.6), aims=(*aims, Aim("6")), start=2e9
        )
        site = Site(site.marks, (*site.setups, plan))
    survey = simulate(site, Precision(), np.random.default_rng(2))
    moved = shifted(survey, _curb_rows(survey, "S2"), np.array([0.005, 0.008, 0.012]))
    clean, joints = _joints(survey), _joints(moved)
    row = next(i for i in range(len(joints)) if joints.setup[i].tolist() == [0, 1])
    assert abs(joints.value[row, STEP] - clean.value[row, STEP] - 0.012) < 0.05 * MM
    assert joints.value[row, GAP] == pytest.approx(np.hypot(0.005, 0.008), abs=4 * MM)
    assert joints.gap_freedom[row] == 2
    if third:
        return
    network = network_of(moved, reduction_of(moved))
    ties = mark_ties(solve(moved))
    own = next(
        i
        for i in range(len(ties.point))
        if network.point_names[ties.point[i]] == "6" and ties.setup[i] == 1
    )
    shift, flat = ties.difference[own], ties.covariance[own][:2, :2]
    size = np.linalg.norm(shift[:2])
    sd = np.sqrt(shift[:2] @ flat @ shift[:2]) / size
    assert joints.value[row, [STEP, GAP]] == pytest.approx([shift[2], size], abs=1e-9)  # m
    assert joints.sd[row, [STEP, GAP]] == pytest.approx(
        [np.sqrt(ties.covariance[own][2, 2]), sd], abs=1e-9
    )
    chi = shift[:2] @ np.linalg.inv(flat) @ shift[:2]
    assert joints.gap_statistic[row] == pytest.approx(chi, abs=1e-6)
    assert np.isnan(joints.shows[row]) and not joints.stands[row]


def test_a_steady_bend_is_no_kink_at_a_shared_point():
    """The curb bends 4 degrees at every point, at the shared one too: its own way of going on."""
    site = _curb(shared=True, bend=np.radians(4))
    joints = _joints(simulate(site, Precision(), np.random.default_rng(5)))
    assert not joints.bends[0]
    assert abs(joints.value[0, KINK] - np.radians(4)) < 4 * joints.sd[0, KINK]


def test_steps_are_told_where_no_point_is_shared_by_the_points_on_either_side():
    """Of the curb in two halves from 5 to 6; of a shared point nothing, were it the first shot."""
    clean = simulate(_curb(shared=False), Precision(), np.random.default_rng(3))
    survey = shifted(clean, _curb_rows(clean, "S2"), np.array([0.0, 0.0, 0.03]))
    joints, names = _joints(survey), network_of(survey).point_names
    (told,) = joints.steps()
    assert (told.string, told.setups, told.stands) == ("CURB", (0, 1), True)
    assert [names[end] for end in told.ends] == ["5", "6"]
    assert told.step == pytest.approx(0.03, abs=4 * MM) and told.sd == joints.sd[0, STEP]
    site = _curb(shared=True)
    plans = [replace(plan, aims=(Aim("6"), *plan.aims)) for plan in site.setups]
    first = simulate(Site(site.marks, tuple(plans)), Precision(), np.random.default_rng(3))
    joints = _joints(first)
    assert joints.point.tolist() == [0] and network_of(first).point_names[0] == "6"
    assert joints.steps() == ()
    assert abs(joints.value[0, STEP]) < 5 * joints.sd[0, STEP] < 0.01  # m, measured there
    assert joints.gap_freedom.tolist() == [2]
