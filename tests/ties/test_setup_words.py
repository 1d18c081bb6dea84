"""What the screen says of a setup and of a joint, the worst first: each case laid out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate.mistakes import target_height
from tests.ties.evidence import check
from tests.ties.jobs import simulated_yard
from tests.ties.test_numbering import numbered_first
from tests.ties.test_steps import moved
from tieup.model.answer import JointAnswer, SetupAnswer
from tieup.model.finding import Finding, Rival
from tieup.ties.bay_places import Use
from tieup.ties.bays import Bays, PlaceStanding
from tieup.ties.site_answer import crew_answer
from tieup.ties.tie_checks import Checks


@pytest.fixture(scope="module")
def calm() -> Checks:
    """Return the checks of a day on which all ties, against 6 mm in plan and 3 mm in height.

    W1 is the first point of the job: nothing hangs on that.
    """
    return check(numbered_first(simulated_yard(14), "W1"))


def stood(checks: Checks, known: tuple[float, float], bound: tuple[float, float]) -> PlaceStanding:
    """Return how a place stands, W1, in mm; its worst mistakes are the second and the first."""
    use = Use((0,), np.zeros(2), checks.evidence.points.index("W1"))
    return PlaceStanding(use, np.array(known) / 1e3, np.array(bound) / 1e3, np.array([1, 0]))


def answers(
    checks: Checks, *findings: Finding, unit: str = "m"
) -> tuple[dict[str, SetupAnswer], dict[str, JointAnswer]]:
    """Return the answers of setups and joints by name."""
    found = crew_answer(checks, title="Yard", length_unit=unit, angle_unit="dms", findings=findings)
    return {s.setup: s for s in found.setups}, {j.name: j for j in found.joints}


INF = np.inf
CASES = [
    ((1, 1), (4, 2), "ties", "one wrong shot could hide 4.0 mm in plan, 2.0 mm in height at W1"),
    ((6, 3), (6, 3), "ties", "one wrong shot could hide 6.0 mm in plan, 3.0 mm in height at W1"),
    ((6.1, 1), (4, 2), "unproved", "known to 6.1 mm in plan only at W1"),
    ((1, 3.1), (4, 2), "unproved", "known to 3.1 mm in height only at W1"),
    ((9, 6), (4, 2), "unproved", "known to 6.0 mm in height only at W1"),  # twice the limit
    ((9, 6), (INF, 2), "unproved", "known to 6.0 mm in height only at W1"),
    ((1, 1), (6.5, 2), "unproved", "a mistake in the pole could hide 6.5 mm in plan at W1"),
    ((1, 1), (4, 3.4), "unproved", "a mistake in the book could hide 3.4 mm in height at W1"),
    ((1, 1), (9, 5), "unproved", "a mistake in the book could hide 5.0 mm in height at W1"),
    ((1, 1), (INF, 5), "unproved", "a mistake in the pole would not show"),
    ((1, 1), (4, INF), "unproved", "a mistake in the book would not show"),
]


@pytest.mark.parametrize(("known", "bound", "verdict", "words"), CASES)
def test_how_a_setup_stands_where_it_is_used(calm, known, bound, verdict, words) -> None:
    """Known within the limits and guarded within them; else the part that is worst against its."""
    bays = Bays((stood(calm, known, bound), *calm.bays.setups[1:]), calm.bays.joints)
    checks = replace(calm, bays=bays, guarded=("book", "pole"))
    setups, _ = answers(checks)
    assert (setups["S1"].verdict, setups["S1"].words) == (verdict, words)
    unnamed, _ = answers(replace(checks, guarded=()))
    plain = words.replace("a mistake in the pole", "one wrong shot")
    assert unnamed["S1"].words == plain.replace("a mistake in the book", "one wrong shot")


def test_a_joint_stands_at_no_shot_and_in_feet(calm) -> None:
    """In the middle of the marks of both, where no shot is named; 6.5 mm are 0.021 ft."""
    standing = replace(stood(calm, (1, 1), (6.5, 2)), use=Use((0, 1), np.zeros(2)))
    bays = Bays(calm.bays.setups, {**calm.bays.joints, (0, 1): standing})
    _, joints = answers(replace(calm, bays=bays, guarded=("book", "pole")), unit="ft")
    words = "a mistake in the pole could hide 0.021 ft in plan"
    assert (joints["S1-S2"].verdict, joints["S1-S2"].words) == ("unproved", words)
    without = {pair: one for pair, one in bays.joints.items() if pair != (0, 1)}
    _, joints = answers(replace(calm, bays=Bays(bays.setups, without)))
    assert joints["S1-S2"].verdict == "unproved" and "limit" in joints["S1-S2"].words


def test_a_setup_without_shots_or_with_too_little_geometry_is_unproved(calm) -> None:
    """However well its ties agree; a weak one ties and says why it is weak."""
    nothing = Bays((None, *calm.bays.setups[1:]), calm.bays.joints)
    setups, _ = answers(replace(calm, bays=nothing))
    assert (setups["S1"].verdict, setups["S1"].words) == ("unproved", "it has no shots")
    tied = answers(calm)[0]["S1"].words
    wanting = ["single", "two-tie", "in-line", "danger-circle", "disconnected"]
    for word in ("strong", "weak", *wanting):
        first = replace(calm.evidence.geometry[0], word=word, why="as it is")
        geometry = (first, *calm.evidence.geometry[1:])
        checks = replace(calm, evidence=replace(calm.evidence, geometry=geometry))
        found = answers(checks)[0]["S1"]
        if word in wanting:
            assert (found.verdict, found.words) == ("unproved", "as it is")
        else:
            assert found.verdict == "ties"
            assert found.words == (f"{tied}; as it is" if word == "weak" else tied)


def test_what_is_out_of_the_ordinary_speaks_for_its_setup_and_its_joints(calm) -> None:
    """One mark is named; of several none. Its grade decides, not how bad it would be."""
    odd = Finding("direction", "check", "S2", ("T1",), grade="noticed")
    says = "out of the ordinary at T1: shoot it again"
    setups, joints = answers(calm, odd)
    assert (setups["S2"].verdict, setups["S2"].words) == ("unproved", says)
    assert {s for s, one in setups.items() if one.verdict == "ties"} == {"S1", "S3", "S4", "S5"}
    for name in ("S1-S2", "S2-S3"):
        assert (joints[name].verdict, joints[name].words) == ("unproved", f"S2 {says}")
    assert joints["S3-S4"].verdict == "ties"
    several = answers(calm, replace(odd, points=("T1", "T2")))[0]["S2"]
    assert several.words == "out of the ordinary: shoot it again"
    assert answers(calm, replace(odd, grade="named"))[0]["S2"].verdict == "ties"


def test_setups_that_a_person_left_out_are_said_to_be(calm) -> None:
    """Its words; the site need not tie with it."""
    bays = Bays((None, *calm.bays.setups[1:]), calm.bays.joints)
    checks = replace(calm, bays=bays)
    options = dict(title="Yard", length_unit="m", angle_unit="dms")
    assert crew_answer(checks, **options).verdict.word == "unproved"
    found = crew_answer(checks, **options, left_out=frozenset({"S1"}))
    assert found.setups[0].words == "excluded by decision"
    assert found.setups[1].words != "excluded by decision"
    assert not any("S1 over" in reason or "no shots" in reason for reason in found.verdict.reasons)


def test_bays_that_are_turned_against_each_other_say_how_far_apart_they_end(calm) -> None:
    """At the middle of their marks nothing is off; 0.3 mrad are 15 mm and more at the far end."""
    survey = moved(simulated_yard(14), "S1", ["T2", "T4", "T5", "W1", "W2"], np.zeros(3), 3e-4)
    checks = check(survey)
    pairs = checks.evidence.pairs
    (row,) = np.flatnonzero((pairs.pair == [0, 1]).all(axis=1))
    far = checks.evidence.points[pairs.far_point[row]]
    assert pairs.plan[row] < 0.006 < pairs.far_plan[row]  # m
    _, joints = answers(checks)
    joint = joints["S1-S2"]
    assert joint.verdict == "fails"
    apart = f"{1000 * pairs.far_plan[row]:.1f} mm"
    assert joint.words == f"turned against each other: {apart} apart at {far}"
    assert (joint.far, joint.far_at) == (pairs.far_plan[row], far)


def test_what_else_than_a_setup_may_be_off(calm) -> None:
    """S3 fails at CP5: a rival that cannot be told apart is said, its own second mistake is not."""
    survey = simulated_yard(14)
    checks = check(target_height(survey, survey.rows("S3", "CP5"), 0.060))

    def words(finding: Finding) -> str:
        return answers(checks, finding)[0]["S3"].words

    plain = words(Finding("distance", "note", "S3"))
    assert plain.endswith("marks off, worst CP5")
    other = Rival("mark-moved", "", ("CP5",), 60.0, False)
    of_setup = Finding("target-height", "stop", "S3", ("CP5",), rivals=(other,), doubt="CP5 moved")
    assert words(of_setup) == f"{plain}, or CP5 moved: the readings cannot tell"
    of_mark = Finding("mark-moved", "stop", "", ("CP5",), rivals=(replace(other, setup="S3"),))
    assert words(of_mark) == f"{plain}, or it is CP5 itself: the readings cannot tell"
    for finding in (
        replace(of_setup, severity="check"),
        replace(of_setup, rivals=(replace(other, separable=True),)),
        replace(of_setup, rivals=(replace(other, setup="S3"),)),
        replace(of_setup, setup="S4"),
        replace(of_mark, points=("CP4",)),
    ):
        assert words(finding) == plain


def test_a_string_that_fails_at_a_shared_point_fails_the_joint(calm) -> None:
    """Of the strings between S1 and S2 the one that fails, in its words; a failing joint keeps its.

    The others stay as they are.
    """
    joints = calm.evidence.joints
    between = np.flatnonzero((np.sort(joints.setup, axis=1) == [0, 1]).all(axis=1))
    row = next(i for i in between if joints.point[i] >= 0)
    verdict, words = calm.joints.verdict.copy(), calm.joints.words.copy()
    verdict[row], words[row] = "fails", "height beyond the limit"
    checks = replace(calm, joints=replace(calm.joints, verdict=verdict, words=words))
    _, found = answers(checks)
    says = f"{joints.string[row]}: height beyond the limit"
    assert (found["S1-S2"].verdict, found["S1-S2"].words) == ("fails", says)
    assert {one.verdict for name, one in found.items() if name != "S1-S2"} == {"ties"}
    pair = np.flatnonzero((calm.evidence.pairs.pair == [0, 1]).all(axis=1))
    own, told = calm.pairs.verdict.copy(), calm.pairs.words.copy()
    own[pair], told[pair] = "fails", "beyond the limit"
    both = replace(checks, pairs=replace(calm.pairs, verdict=own, words=told))
    _, found = answers(both)
    assert found["S1-S2"].verdict == "fails" and says not in found["S1-S2"].words


@pytest.mark.parametrize("severity", ["check", "note"])
def test_strings_that_step_leave_a_joint_unproved_until_that_is_settled(calm, severity) -> None:
    """The largest step is told with its ends, the others by name; a step that was kept is none."""
    joints = calm.evidence.joints
    between = np.flatnonzero((np.sort(joints.setup, axis=1) == [0, 1]).all(axis=1))[:2]
    point, value, ends = joints.point.copy(), joints.value.copy(), joints.ends.copy()
    point[between] = -1
    value[between, 0] = [0.0212, -0.0305]
    ends[between] = [[0, 3], [4, 5]]
    apart = replace(joints, point=point, value=value, ends=ends)
    checks = replace(calm, evidence=replace(calm.evidence, joints=apart))
    names = calm.evidence.points
    steps = [Finding("string-step", severity, "", (names[b], names[a])) for a, b in ends[between]]
    joint = answers(checks, *steps)[1]["S1-S2"]
    first, second = joints.string[between]
    if severity == "note":
        assert joint.verdict == "ties"
        return
    says = f"{second} steps by 30.5 mm from {names[4]} to {names[5]}, {first} too"
    assert (joint.verdict, joint.words) == ("unproved", says)
    joint = answers(checks, steps[0])[1]["S1-S2"]
    assert joint.words == f"{first} steps by 21.2 mm from {names[0]} to {names[3]}"
    assert answers(checks, replace(steps[0], kind="fall"))[1]["S1-S2"].verdict == "ties"
