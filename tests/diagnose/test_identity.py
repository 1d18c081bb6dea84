"""Names that stand for two places, marks under two names, names that look alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import a_job, case_of, planted
from tests.simulate import (
    Aim,
    Mark,
    SetupPlan,
    Site,
    Survey,
    in_faces,
    mistakes,
    simulate,
)
from tests.simulate.mistakes.edit import renamed
from tests.simulate.survey import with_shots
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.first_solution.first_solution import open_case
from tieup.diagnose.names.identity import identity_findings, normal_form, split_collisions
from tieup.errors import TieupError
from tieup.model.settings import Precision


def place(solved: Solved, name: str) -> np.ndarray:
    number = solved.network.point_names.index(name)
    return solved.adjustment.position[number] + solved.network.origin


@pytest.mark.parametrize("seed", range(20))
def test_names_of_a_clean_job_stay_as_they_are(seed: int) -> None:
    """No collision, no proposal, and the case handed back is the one that came."""
    solved = solve(case_of(a_job(seed)))
    case, found = split_collisions(solved)
    assert found == []
    assert case is solved.case
    assert identity_findings(solved) == []


@pytest.mark.parametrize("seed", range(20))
def test_numbers_that_began_again_are_one_finding_and_two_points_each(seed: int) -> None:
    """All colliding names, setup and rows are named; every point lies where it really is."""
    survey = planted("name-collision", seed)
    true = survey.planted[-1]
    solved, (mistake,) = open_case(case_of(survey))
    assert (mistake.kind, mistake.setup) == ("name-collision", true.setup)
    assert set(mistake.points) == set(true.points)
    assert survey.lines(mistake.rows) == true.lines
    assert mistake.instead == tuple(f"{name}@{true.setup}" for name in mistake.points)
    other = mistake.detail.removeprefix("with ")
    for setup in (true.setup, other):
        for name in mistake.points:
            row = survey.rows(setup, name)[0]
            truth = survey.truth.position[survey.aimed[row]]
            assert np.linalg.norm(place(solved, f"{name}@{setup}") - truth) < 0.02  # m
    assert not solved.network.start.gross.any()


def test_a_site_numbered_from_101_in_every_setup() -> None:
    """Four setups that all begin at 101: one finding for each but the first, nothing averaged."""
    survey = a_job(7, setups=4, kind="free", ties=5)
    names = {}
    for setup in survey.setups:
        for count, row in enumerate(survey.rows(setup.label, role="side")):
            names[int(row)] = str(101 + count)
    survey = renamed(survey, names)
    solved, found = open_case(case_of(survey))
    assert [m.setup for m in found] == ["S2", "S3", "S4"]
    assert all(len(m.points) == 20 for m in found)
    for row, name in names.items():
        label = survey.setups[survey.shots.setup[row]].label
        truth = survey.truth.position[survey.aimed[row]]
        assert np.linalg.norm(place(solved, f"{name}@{label}") - truth) < 0.02  # m


@pytest.mark.parametrize("kind", ["point-name", "swapped-names", "backsight", "mark-moved"])
def test_a_mark_with_a_wrong_shot_is_not_two_points(kind: str) -> None:
    """Wrong names of marks and moved marks are no collisions of numbers, in twelve jobs.

    Not all of them have a first solution.
    """
    tried = 0
    for seed in range(12):
        try:
            solved = solve(case_of(planted(kind, seed)))
        except TieupError:
            continue
        assert split_collisions(solved)[1] == [], seed
        tried += 1
    assert tried >= 9


def work_point_site() -> Site:
    """Two setups on four control marks that both shoot the curb joints W1 to W4."""
    ring = [(100.0, 100.0), (100.0, 160.0), (160.0, 160.0), (160.0, 100.0)]
    marks = [Mark(f"CP{i + 1}", n, e, 10.0 + 0.2 * i, (0, 0, 0)) for i, (n, e) in enumerate(ring)]
    joints = [Mark(f"W{i + 1}", 130.0, 120.0 + 7.0 * i, 10.0) for i in range(4)]
    own = [Mark(f"{i}", 110.0 + 3.0 * i, 112.0 + i, 10.0) for i in range(1, 4)]
    setups = []
    for number, axis in enumerate([(115.0, 128.0, 11.5), (147.0, 131.0, 11.6)], start=1):
        aims = [a for m in marks for a in in_faces(Aim(m.name, role="foresight"), 1, 2)]
        work = joints + (own if number == 2 else [])
        aims += [Aim(m.name, code="curb") for m in work]
        aims += in_faces(Aim("CP1", role="check"), 1, 2)
        setups.append(SetupPlan(f"S{number}", tuple(aims), axis=axis, start=1e9 + 7200.0 * number))
    return Site((*marks, *joints, *own), tuple(setups))


def work_points(seed: int = 1) -> Survey:
    return simulate(work_point_site(), Precision(), np.random.default_rng(seed))


def test_work_points_shared_on_purpose_stay_shared() -> None:
    """Side shots of one name that agree are one point, and tie."""
    solved, found = open_case(case_of(work_points()))
    assert found == []
    assert solved.adjustment.dof > 2 * 3 * 4  # W1 to W4 are in the system


def test_one_shared_work_point_elsewhere_may_be_either() -> None:
    """A single side shot 3 m off is kept apart, and the wrong name said as inseparable rival."""
    survey = work_points()
    row = survey.rows("S2", "W2")
    shots = survey.shots
    direction = shots.direction.copy()
    direction[row] += 0.3  # rad
    solved, (mistake,) = open_case(case_of(with_shots(survey, direction=direction)))
    assert (mistake.kind, mistake.setup, mistake.points) == ("name-collision", "S2", ("W2",))
    assert [(r.kind, r.separable) for r in mistake.rivals] == [("point-name", False)]
    assert {"W2@S1", "W2@S2"} <= set(solved.network.point_names)


def test_a_side_shot_of_another_known_point_is_a_wrong_name() -> None:
    """W2 booked as W9, which the other setup shot elsewhere, lies on W2: that is no collision."""
    survey = work_points()
    survey = renamed(survey, {int(survey.rows("S1", "W4")[0]): "W9"})
    survey = renamed(survey, {int(survey.rows("S2", "W2")[0]): "W9"})
    solved = solve(case_of(survey))
    assert solved.network.start.gross.any()
    assert split_collisions(solved)[1] == []


def test_a_second_shot_under_the_name_of_a_shared_point() -> None:
    """W2 booked as W3 beside the true W3: W3 keeps its tie, the other is no part of it."""
    survey = work_points()
    case = case_of(renamed(survey, {int(survey.rows("S2", "W2")[0]): "W3"}))
    solved, (mistake,) = open_case(case)
    assert (mistake.points, mistake.instead) == (("W3",), ("W3@S2",))
    assert survey.lines(mistake.rows) == survey.lines(survey.rows("S2", "W2"))
    assert not solved.network.start.gross.any()
    (finding,) = identity_findings(solved)  # and it lies on W2
    assert set(finding.points) == {"W2", "W3@S2"}


def test_two_swapped_work_points_are_no_collision() -> None:
    """W1 and W2 exchanged in one setup lie on each other's place."""
    case = case_of(mistakes.swapped_names(work_points(), "S2", "W1", "W2"))
    assert split_collisions(solve(case))[1] == []


def test_side_shots_that_take_the_numbers_of_control() -> None:
    """Numbers of control marks used for work points: the marks keep their names."""
    survey = work_points()
    taken = {int(survey.rows("S2", str(i))[0]): f"CP{i}" for i in (1, 2, 3)}
    survey = renamed(survey, taken)
    solved, (mistake,) = open_case(case_of(survey))
    assert mistake.points == ("CP1", "CP2", "CP3")
    assert mistake.instead == ("CP1@S2", "CP2@S2", "CP3@S2")
    assert {"CP1", "CP2", "CP3"} <= set(solved.network.point_names)
    assert not solved.network.start.gross.any()


def test_a_number_used_twice_within_a_setup_is_two_points() -> None:
    """Two side shots of one name 3 m apart are kept apart instead of averaged."""
    survey = work_points()
    case = case_of(renamed(survey, {int(survey.rows("S2", "2")[0]): "1"}))
    solved, (mistake,) = open_case(case)
    assert (mistake.setup, mistake.points, mistake.detail) == ("S2", ("1",), "within the setup")
    assert mistake.instead == ("1@S2", "1@S2~2")
    for name, true in (("1@S2", "1"), ("1@S2~2", "2")):
        truth = survey.truth.position[survey.truth.points.index(true)]
        assert np.linalg.norm(place(solved, name) - truth) < 0.02  # m


@pytest.mark.parametrize("kind", ["unrecognised-tie", "similar-names"])
@pytest.mark.parametrize("seed", range(20))
def test_a_mark_under_two_names_is_proposed_as_one(kind: str, seed: int) -> None:
    """Both names are given, once, with what the tie would add; nothing is merged."""
    survey = planted(kind, seed)
    solved, found = open_case(case_of(survey))
    assert found == []
    (finding,) = identity_findings(solved)
    assert (finding.kind, finding.severity) == (kind, "check")
    assert set(finding.points) == set(survey.planted[-1].points)
    assert "3 checks" in finding.says
    assert "not merged" in finding.says
    assert set(finding.points) <= set(solved.network.point_names)


def test_the_promised_checks_are_gained_by_the_rename() -> None:
    """Renaming as proposed adds three degrees of freedom for each pair (three coordinates)."""
    survey = planted("unrecognised-tie", 3)
    solved, _ = open_case(case_of(survey))
    (finding,) = identity_findings(solved)
    new, old = finding.points
    case = solved.case
    rows = np.flatnonzero(case.shots.point == case.points.index(new))
    merged = solve(case.with_renamed(rows, old))
    assert merged.adjustment.dof == solved.adjustment.dof + 3


def test_two_marks_that_one_setup_shot_both_are_two() -> None:
    """A nail and a tack 10 mm apart, seen together from one setup, are no proposal."""
    site = work_point_site()
    tack = Mark("W9", 130.0, 120.010, 10.0)
    first, second = site.setups
    both = replace(first, aims=(*first.aims, Aim("W9")))
    survey = simulate(
        Site((*site.marks, tack), (both, second)), Precision(), np.random.default_rng(2)
    )
    assert identity_findings(solve(case_of(survey))) == []


def test_like_names_far_apart_are_a_note() -> None:
    """W1 and W-1 30 m from each other are two marks; the note says so."""
    survey = work_points()
    case = case_of(renamed(survey, {int(survey.rows("S2", "3")[0]): "W-1"}))
    (finding,) = identity_findings(solve(case))
    assert (finding.kind, finding.severity) == ("similar-names", "note")
    assert "two marks" in finding.says or "both" in finding.says


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        ("CP3", "CP-3", True),
        ("CP3", "cp3", True),
        ("CP3", "CP 3", True),
        ("CP3", "CP03", True),
        ("CP3", "CP_003", True),
        ("3A", "3-a", True),
        ("CP3", "CP30", False),  # a digit more is another mark
        ("CP3", "CP13", False),
        ("101", "1-01", False),  # station and number of a line
        ("1.05", "1.5", False),  # decimals: zeros count
        ("CP3", "BM3", False),
    ],
)
def test_names_alike_but_for_their_writing(one: str, other: str, alike: bool) -> None:
    """Case, dashes, blanks and leading zeros do not make a name; digits and letters do."""
    assert (normal_form(one) == normal_form(other)) is alike
