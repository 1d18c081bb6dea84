"""Strings that pass from setup to setup."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.linework.shooting import lines_of, walked
from tests.simulate import Aim, Mark, SetupPlan, Site, in_faces, simulate
from tests.simulate.mistakes import target_height
from tests.simulate.mistakes.edit import shifted
from tests.simulate.yards import fire_station
from tests.ties.jobs import network_of, reduction_of
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.linework.change_overs import change_overs
from tieup.model.settings import Precision, Tolerances
from tieup.ties.carried import carry, off_course, roughness
from tieup.ties.change_over_readings import GAP, GRADE, KINK, STEP, read_line, smoothness
from tieup.ties.joints import judge_joints, string_joints
from tieup.ties.marks import mark_ties

MM = 1e-3


def _joints(survey):
    reduction = reduction_of(survey)
    network = network_of(survey, reduction)
    result = adjust(network, survey.precision, survey.refraction, held_frame(network))
    return string_joints(result, mark_ties(result), survey.fieldbook.shots)


def _curb(shared: bool, bend: float = 0.0) -> Site:
    """Two setups 40 m apart shoot one curb of ten points, with or without a common point.

    ``bend`` is the steady change of the curb's direction from point to point (rad).
    """
    held = (0.0, 0.0, 0.0)
    places = {"A": (-30, -20), "B": (30, -25), "C": (-5, 40), "D": (60, 45), "E": (75, -20)}
    marks = [Mark(n, 100.0 + x, 100.0 + y, 20.0, held) for n, (x, y) in places.items()]
    arm, bearing, at = [], 0.0, np.array([90.0, 112.0])
    for i in range(10):
        arm.append(Mark(f"{i + 1}", float(at[0]), float(at[1]), 20.0 + 0.02 * i))
        at = at + 5.0 * np.array([np.cos(bearing), np.sin(bearing)])
        bearing += bend
    runs = (range(6), range(5, 10)) if shared else (range(5), range(5, 10))
    plans = []
    for label, axis, run in (("S1", (100.0, 100.0), runs[0]), ("S2", (140.0, 105.0), runs[1])):
        aims = [a for n in places for a in in_faces(Aim(n), 1, 2)]
        aims += [Aim(arm[i].name, string="CURB") for i in run]
        plans.append(SetupPlan(label, tuple(aims), axis=(*axis, 21.6), start=1e9))
    plans[1] = replace(plans[1], start=1e9 + 7200)
    return Site((*marks, *arm), tuple(plans))


def _curb_rows(survey, label):
    return np.array([r for r in survey.rows(label) if survey.shots.string[r] == "CURB"])


def test_the_yard_joins_where_its_plan_says():
    """The ten change-overs of the sample yard at its ten shared points, and the trench without."""
    survey = simulate(fire_station(np.random.default_rng(4)), Precision(), np.random.default_rng(4))
    joints = _joints(survey)
    names = network_of(survey).point_names
    at = {names[p] for p in joints.point if p >= 0}
    assert at == {f"W{i}" for i in range(1, 11)}
    assert sorted(joints.string[joints.point < 0]) == ["TRENCH"]
    verdict = judge_joints(joints, Tolerances()).verdict
    assert (verdict != "fails").all()
    assert verdict[joints.point < 0].tolist() == ["untested"]


def test_a_step_at_a_shared_point_comes_back():
    """The second setup's shots all 12 mm high: every change-over between the two shows it."""
    rng = np.random.default_rng(2)
    survey = simulate(_curb(shared=True), Precision(), rng)
    clean = _joints(survey)
    high = target_height(survey, _curb_rows(survey, "S2"), -0.012)
    joints = _joints(high)
    assert len(joints) == 1 and joints.point[0] >= 0
    assert abs(joints.value[0, STEP] - clean.value[0, STEP] - 0.012) < 0.05 * MM
    assert judge_joints(joints, Tolerances()).verdict[0] == "fails"
    assert judge_joints(clean, Tolerances()).verdict[0] != "fails"


@pytest.mark.parametrize("part", ["step", "gap"])
def test_a_step_between_two_runs_without_a_shared_point(part):
    """A straight curb whose second half lies 20 mm off: up it stands out; it never ties or fails.

    Across nothing is known: a curb may have a bay there.
    """
    rng = np.random.default_rng(3)
    survey = simulate(_curb(shared=False), Precision(), rng)
    clean = _joints(survey)
    shift = np.array([0.0, 0.0, 0.020]) if part == "step" else np.array([0.0, 0.020, 0.0])
    joints = _joints(shifted(survey, _curb_rows(survey, "S2"), shift))
    column = STEP if part == "step" else GAP
    assert joints.point.tolist() == [-1]
    assert abs(joints.value[0, column] - clean.value[0, column] - 0.020) < 0.2 * MM
    assert joints.stands.tolist() == [part == "step"] and not clean.stands.any()
    verdict = "unproved" if part == "step" else "untested"
    assert judge_joints(joints, Tolerances()).verdict.tolist() == [verdict]
    assert judge_joints(clean, Tolerances()).verdict.tolist() == ["untested"]


@pytest.mark.parametrize("at", [0.0, 0.3, 0.5, 1.0])
def test_a_crest_in_the_gap_is_no_step(at):
    """1 % up to 2 % down anywhere between the setups: within what the change of grade may do.

    By hand: half the gap of 5 m times 3 % is 75 mm, which a bend at either end of the gap reaches.
    """
    gap, along = 5.0, np.array([-5.0, 0.0, 5.0, 10.0])
    height = np.where(along <= at * gap, 0.01 * along, 0.03 * at * gap - 0.02 * along)
    points = np.column_stack([along, np.zeros(4), height])
    found = carry(points, 1e-6 * np.eye(4), 0.0)
    assert abs(found.unsure - 0.075) < 1e-9
    assert abs(found.step - (2.0 * at - 1.0) * 0.075) < 1e-9
    assert abs(found.sd - 1e-3 * np.sqrt(2 * (1.5**2 + 0.5**2))) < 1e-9
    assert abs(found.sd_end - 1e-3 * np.sqrt(1.0 + 2.0**2 + 1.0**2)) < 1e-9


def test_heights_are_carried_round_a_corner():
    """90 degrees 2 m into a gap, 1 % of fall along the curb, 30 mm of step: the step comes out."""
    points = np.array([[-2.0, 0.0, 0.02], [2.0, 0.0, -0.02], [4.0, 2.0, -0.06], [4.0, 6.0, -0.10]])
    points[2:, 2] += 0.030
    found = carry(points, 1e-6 * np.eye(4), 0.0)
    assert abs(found.step - 0.030) < 1e-9
    # Of its shape only how far the corner is cut: 4 m at most, 2.83 m at least, at 1 %.
    assert abs(found.unsure - 0.01 * (4.0 - np.sqrt(8.0))) < 1e-9


def test_a_short_or_doubled_back_line_tells_nothing():
    """One point on a side, or a line that turns back: no step, and none stands out."""
    line = np.column_stack([np.arange(4) * 5.0, np.zeros(4), np.zeros(4)])
    assert np.isnan(carry(line[1:], np.eye(3), 0.0).step)
    back = np.array([[5.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    assert np.isnan(carry(np.vstack([line[:2], back]), np.eye(4), 0.0).step)


def test_one_drop_in_a_line_is_no_roughness():
    """Points 2 mm off their course, two of them 100 mm low: near 2 mm, and 15 % more.

    1 + sqrt(1.36 / 58) = 1.153; the plain sd of the points would be 16 mm.
    """
    rng = np.random.default_rng(4)
    place = np.column_stack([np.arange(60) * 4.0, np.zeros(60), 2 * MM * rng.normal(size=60)])
    place[30:32, 2] -= 0.100
    found = roughness(off_course([tuple(range(60))], place))
    assert abs(found / 1.153 - 2 * MM) < 0.6 * MM
    assert roughness(np.zeros(3)) == np.inf


def test_a_steady_bend_is_no_kink():
    """A curb that bends 4 degrees at every point has no gap, no kink and no failing joint."""
    rng = np.random.default_rng(5)
    joints = _joints(simulate(_curb(shared=False, bend=np.radians(4)), Precision(), rng))
    assert not joints.bends[0]
    assert abs(joints.value[0, GAP]) < 4 * joints.sd[0, GAP]
    assert judge_joints(joints, Tolerances()).verdict[0] != "fails"


def test_a_kink_at_the_change_over_is_seen():
    """A straight curb that turns 2 degrees where the setups change: a kink beyond its own."""
    site = _curb(shared=True)
    marks = []
    pivot = next(m for m in site.marks if m.name == "6")
    turn = np.radians(2.0)
    for mark in site.marks:
        if mark.name.isdigit() and int(mark.name) > 6:
            arm = np.array([mark.northing - pivot.northing, mark.easting - pivot.easting])
            arm = np.array([np.cos(turn) * arm[0], np.sin(turn) * arm[0]])
            mark = replace(mark, northing=pivot.northing + arm[0], easting=pivot.easting + arm[1])
        marks.append(mark)
    joints = _joints(
        simulate(Site(tuple(marks), site.setups), Precision(), np.random.default_rng(1))
    )
    assert joints.bends[0]
    assert abs(joints.value[0, KINK] - turn) < 4 * joints.sd[0, KINK]


@pytest.mark.slow
def test_sds_of_joints_against_monte_carlo():
    """Variances of step, kinks at a shared point and of all four without one, within chance."""
    rng = np.random.default_rng(8)
    for shared in (True, False):
        site, draws, found, sd, called = _curb(shared), 400, [], [], 0
        for _ in range(draws):
            joints = _joints(simulate(site, Precision(), rng))
            found.append(joints.value[0])
            sd.append(joints.sd[0])
            called += int(joints.stands.any())
        # Without a shared point the line's own roughness, here its noise, is part of the sd.
        own = np.mean(sd, axis=0)
        ratio = np.var(found, axis=0) / own**2
        low, high = stats.chi2.ppf([1e-5, 1 - 1e-5], draws - 1) / draws
        if shared:
            assert low < ratio[STEP] < high  # the gap is a size, not a normal variable
            assert low < ratio[[KINK, GRADE]].min() and ratio[[KINK, GRADE]].max() < high
        else:
            assert low < ratio[[KINK, GRADE]].min() and ratio[[KINK, GRADE]].max() < high
            assert (ratio[[STEP, GAP]] < high).all()  # never too bold
            assert (ratio[[STEP, GAP]] > 0.2).all()
            assert not called


def test_a_line_carried_on_reads_what_was_put_in():
    """Four points of two lines: step 5 mm, gap 8 mm, kink 0.01, grade 0.004, by construction."""
    a0, b0 = np.array([10.0, 0.0, 1.0]), np.array([12.0, 0.008, 1.005 + 0.004 * 1.0])
    points = np.array([[5.0, 0.0, 1.0], a0, b0, b0 + np.array([5.0, 0.0, 0.02])])
    assert read_line(points, -1e-24 * np.eye(12)).sd.tolist() == [0.0] * 4  # rounding, held marks
    reading = read_line(points, 1e-6 * np.eye(12))
    assert abs(reading.value[STEP] - 0.005) < 1e-9
    assert abs(reading.value[GAP] - 0.008) < 1e-9
    assert abs(reading.value[KINK]) < 1e-12
    assert abs(reading.value[GRADE] - 0.004) < 1e-12
    # Carried 1 m from points 5 m apart, each known to 1 mm: (1.2^2 + 0.2^2) on either side.
    assert abs(reading.sd[STEP] - 1e-3 * np.sqrt(2 * (1.2**2 + 0.2**2))) < 1e-8


def test_smoothness_scales_as_its_formula_says():
    """Points scattered by 3 mm about a straight line: the carried step has the sd it predicts."""
    rng = np.random.default_rng(0)
    place = np.column_stack([np.arange(400) * 5.0, np.zeros(400), rng.normal(size=400) * 3 * MM])
    smooth = smoothness([tuple(range(400))], place)
    assert abs(smooth.sd[STEP] / (3 * MM * np.sqrt(5.0)) - 1) < 0.1


def change_overs_of(shooting, places=None, missed=(), **options):
    """Return setups, shared point, points before and after of each change-over, as letters."""
    lines, names = lines_of(shooting, places, **options)
    letters = {-1: "", **dict(enumerate(names))}
    labels = list(dict.fromkeys(setup for setup, _ in shooting))
    sighted = {(labels.index(s), names.index(x)) for s, own in shooting for x in own}
    sighted -= {(labels.index(s), names.index(x)) for s, x in missed}
    return [
        (
            "".join(labels[s] for s in change.setups),
            letters[change.point],
            "".join(letters[p] for p in change.before),
            "".join(letters[p] for p in change.after),
        )
        for line in lines.values()
        for change in change_overs(line, sighted)
    ]


def test_runs_and_ends():
    """Two faces are one point, a setup change ends a run, far ends are the ends of the line."""
    shooting = [("S", "AAB"), ("T", "CDE")]
    assert change_overs_of(shooting, faces=[1, 2, 1, 1, 1, 1]) == [("ST", "", "BA", "CD")]
    apart = {x: (5.0 * n + 100.0 * (x > "B"), 0.0, 0.0) for n, x in enumerate("ABCDE")}
    assert change_overs_of(shooting, apart) == []


def test_a_shared_point_is_one_that_both_setups_still_have():
    """B seen by both ties the runs there; where T's shot of it is left out it shares nothing."""
    shooting = [("S", "AB"), ("T", "BCD")]
    assert change_overs_of(shooting) == [("ST", "B", "A", "CD")]
    assert change_overs_of(shooting, missed=[("T", "B")]) == []


def test_a_ring_of_two_setups_changes_over_twice():
    """Half by S, half by T, no point shared: both gaps are judged, and the line stays open."""
    ring = {"A": (0, 0, 0), "B": (5, 0, 0), "C": (10, 0, 0), "D": (10, 5, 0), "E": (5, 5, 0),
            "F": (0, 5.1, 0)}  # fmt: skip
    shooting = [("S", "ABC"), ("T", "DEF")]
    assert change_overs_of(shooting, ring) == [("ST", "", "CB", "DE"), ("ST", "", "AB", "FE")]
    lines, names = lines_of(shooting, ring)
    assert walked(lines["STR"], names) == ["ABCDEF"]


def test_a_joint_runs_past_no_point_without_a_place():
    """A point has no place: the line breaks there, for its joints as for strings.csv."""
    places = {x: (5.0 * n, 0.0, 0.0) for n, x in enumerate("ABCDEF")}
    places["C"] = (np.nan, np.nan, np.nan)
    found = change_overs_of([("S", "ABC"), ("T", "DEF")], places)
    assert found == [("ST", "", "BA", "DE")]
    places["E"] = (np.nan, np.nan, np.nan)
    assert change_overs_of([("S", "ABC"), ("T", "DEF")], places) == [("ST", "", "BA", "D")]
