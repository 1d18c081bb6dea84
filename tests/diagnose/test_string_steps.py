"""Whose pole a step in a string may be: by hand, from the change-overs of three setups."""

from __future__ import annotations

from dataclasses import make_dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest

from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.kinds.string_step import STEP, likely_pole
from tieup.diagnose.search.string_steps import step_mistakes
from tieup.model.strings import StringStep, string_name

METRES = Phrases("m")


def a_case(*, second: float = 1.5):
    """Return what is asked of a case: two lines of six points by three setups, a mark by each.

    ``second`` is the pole that the middle setup booked along the lines; else it is 1.5 m.
    """
    points = np.array([*range(6), *range(6, 12), 12, 12, 12])
    setup = np.array([0, 0, 1, 1, 2, 2] * 2 + [0, 1, 2])
    height = np.where(setup == 1, second, 1.5)
    height[12:] = 1.5
    shots = _frozen(
        string=np.array(["1"] * 12 + [""] * 3, dtype=object),
        code=np.array(["TC"] * 6 + ["FL"] * 6 + [""] * 3, dtype=object),
        setup=setup,
        point=points,
        target_height=height,
        repeated=np.zeros(15, dtype=bool),
    )
    setups = tuple(SimpleNamespace(label=label) for label in ("S1", "S2", "S3"))
    names = tuple(f"P{number}" for number in range(13))
    return _frozen(shots=shots, setups=setups, points=names)


def _frozen(**fields):
    """Return an object of these fields that `dataclasses.replace` can change."""
    return make_dataclass("Fields", fields.keys(), frozen=True)(**fields)


def a_step(string: str, first: int, step: float, *, stands: bool = True) -> StringStep:
    """Return a step between two setups in a row, known to 2 mm."""
    start = (0 if string == "TC 1" else 6) + 2 * first + 1
    return StringStep(
        string, (first, first + 1), (start, start + 1), step, 0.002, 0.0, abs(step) / 0.002, stands
    )


def causes(mistake) -> list[tuple[str, str, bool]]:
    """Return kind, setup and whether the readings speak against it, of each rival in its order."""
    return [(rival.kind, rival.setup, rival.separable) for rival in mistake.rivals]


def test_a_setup_that_steps_in_and_out_has_the_wrong_pole():
    """Up 0.2 m into S2 and down as much out of it: its pole was booked 0.2 m too small."""
    case = a_case()
    steps = [a_step("TC 1", 0, 0.2), a_step("TC 1", 1, -0.2)]
    for mistake in step_mistakes(case, steps):
        assert causes(mistake)[0] == ("target-height", "S2", False)
        pole = likely_pole(mistake)
        assert abs(pole.size[0] + 0.2) < 1e-12 and pole.points == ("P2", "P3")
        right = STEP.cured(case, mistake).shots.target_height
        assert right.tolist() == [1.5, 1.5, 1.7, 1.7, *[1.5] * 11]
        words = STEP.words(mistake, METRES)
        assert "too small by S2" in words.wrong
        assert '{set: {setup: "S2", string: "TC 1", target_height: 1.70}' in words.cure


def test_a_step_out_of_which_nothing_leads_back_is_an_edge_first():
    """Up 0.2 m into S2 and level out of it: S2's pole is ruled out, S1's is not shown."""
    level = a_step("TC 1", 1, 0.001, stands=False)
    (mistake,) = step_mistakes(a_case(), [a_step("TC 1", 0, 0.2), level])
    assert causes(mistake) == [
        ("real-edge", "", False),
        ("target-height", "S1", False),
        ("target-height", "S2", True),
    ]
    assert likely_pole(mistake) is None and not STEP.words(mistake, METRES).applied


def test_two_lines_alike_are_a_pole_and_the_book_says_whose():
    """TC 1 and FL 1 both down 0.3 m into S2, which booked 1.8 along them and 1.5 to its mark."""
    steps = [a_step("TC 1", 0, -0.3), a_step("FL 1", 0, -0.301)]
    for mistake in step_mistakes(a_case(second=1.8), steps):
        assert [kind for kind, *_ in causes(mistake)] == ["target-height"] * 2 + ["real-edge"]
        assert likely_pole(mistake).setup == "S2"
    for mistake in step_mistakes(a_case(), steps):  # nothing in the book tells
        assert causes(mistake)[0][0] == "target-height" and likely_pole(mistake) is None
        assert "by S1 or too" in STEP.words(mistake, METRES).wrong


@pytest.mark.parametrize(
    ("back", "fits"), [(-0.30, True), (-0.285, True), (-0.255, True), (-0.318, False)]
)
def test_steps_that_the_shape_of_lines_may_blur_are_alike_within_it(back, fits):
    """Up 0.2 m into S2, to 50 mm, and down again out of it, to 50 mm: alike to 109 mm in all.

    That is both doubts and 3.3 sds of 2 mm twice. Else S2's pole is ruled out.
    """
    steps = [a_step("TC 1", 0, 0.2), a_step("TC 1", 1, back)]
    mistake, _ = step_mistakes(a_case(), [replace(step, unsure=0.05) for step in steps])
    assert (causes(mistake)[0] == ("target-height", "S2", False)) == fits
    assert (("target-height", "S2", True) in causes(mistake)) != fits
    assert mistake.covariance[0, 0] == pytest.approx(0.002**2 + 0.05**2)


@pytest.mark.parametrize(
    ("level", "alike"), [(0.09, True), (0.315, True), (0.075, False), (0.325, False)]
)
def test_lines_beside_each_other_are_alike_within_what_blurs_them(level, alike):
    """TC 1 up 0.2 m to 50 mm into S2, FL 1 beside it to 60 mm: alike to 119 mm with their sds."""
    beside = replace(a_step("FL 1", 0, level), unsure=0.06)
    mistake = step_mistakes(a_case(), [replace(a_step("TC 1", 0, 0.2), unsure=0.05), beside])[0]
    assert ("FL 1" in STEP.words(mistake, METRES).wrong) == alike
    assert (causes(mistake)[0][0] == "target-height") == alike


def test_a_height_booked_elsewhere_is_the_right_one_to_10_mm():
    """S2 booked 1.8 m along the line and 1.5 m to its mark: 0.291 m of step leads there, 0.288 not.

    The step is known to 2 mm; a doubt of 20 mm about the line goes on top.
    """
    for step, unsure, told in (
        (-0.309, 0.0, True),
        (-0.291, 0.0, True),
        (-0.288, 0.0, False),
        (-0.312, 0.0, False),
        (-0.278, 0.02, True),
        (-0.274, 0.02, False),
    ):
        one = replace(a_step("TC 1", 0, step), unsure=unsure)
        (mistake,) = step_mistakes(a_case(second=1.8), [one])
        assert (causes(mistake)[0] == ("target-height", "S2", False)) == told


def test_lines_that_disagree_are_no_pole():
    """TC 1 down 0.1 m, FL 1 beside it level: an edge first."""
    level = a_step("FL 1", 0, 0.001, stands=False)
    (mistake,) = step_mistakes(a_case(), [a_step("TC 1", 0, -0.1), level])
    assert causes(mistake)[0][0] == "real-edge"


@pytest.mark.parametrize(
    ("beside", "stands", "pole"),
    [
        (None, False, True),  # the book alone
        (0.001, False, False),  # a line beside it that goes on level
        (-0.299, False, True),  # that steps as much, but is not clear of its own bends
        (0.3, True, True),  # that steps up: an edge of its own
        (-0.3, True, True),
    ],
)
def test_what_a_line_beside_it_says_of_a_pole_that_the_book_tells(beside, stands, pole):
    """TC 1 down 0.3 m into S2, which booked 1.8 m along it and 1.5 m to its mark."""
    more = [] if beside is None else [a_step("FL 1", 0, beside, stands=stands)]
    mistake = step_mistakes(a_case(second=1.8), [a_step("TC 1", 0, -0.3), *more])[0]
    first = ("target-height", "S2", False) if pole else ("real-edge", "", False)
    assert causes(mistake)[0] == first


def test_the_same_line_run_the_other_way_is_the_same_step():
    """FL 1 told from S2 to S1: up where TC 1 goes down, and alike all the same."""
    back = replace(a_step("FL 1", 0, 0.3), setups=(1, 0), ends=(8, 7))
    first, _ = step_mistakes(a_case(), [a_step("TC 1", 0, -0.3), back])
    assert causes(first)[0][0] == "target-height" and "FL 1" in STEP.words(first, METRES).wrong


@pytest.mark.parametrize(
    ("string", "code", "name"),
    [("1", "TC", "TC 1"), ("CURB-S", "TC", "CURB-S"), ("1", "", "1"), ("", "TC", "")],
)
def test_a_bare_number_counts_within_its_code(string: str, code: str, name: str) -> None:
    """One name for tables, joints, plan, to-do and page."""
    assert string_name(string, code) == name
