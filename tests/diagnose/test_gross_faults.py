"""A gross fault beside other mistakes is named as what it is, and makes no other false.

The yard of the sample holds a swap of names (S2, T5 and T6), a pole height (S3, CP5) and a
moved mark (CP8); one more fault is planted in other shots.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.make_sample import surveys
from tests.simulate.survey import Survey
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.kinds.swapped_names import with_equal_setups
from tieup.diagnose.proof.disputes import find_disputes
from tieup.diagnose.search.diagnose import diagnose
from tieup.model.observations import DISTANCE, ZENITH
from tieup.model.settings import Tolerances

pytestmark = pytest.mark.slow

SWAP = ("swapped-names", "S2", ("T5", "T6"))


@pytest.fixture(scope="module")
def yard() -> Survey:
    return surveys()["fire_station"]


def spoiled(survey: Survey, setup: str, mark: str, column: str, size: float) -> Case:
    """Return the case with ``size`` (m; at the target for a direction) in all shots to a mark."""
    case = case_of(survey)
    rows = survey.rows(setup, mark)
    values = getattr(case.shots, column).copy()
    values[rows] += size / (case.shots.distance[rows] if column == "direction" else 1.0)
    if column == "direction":
        values[rows] %= 2.0 * np.pi
    return replace(case, shots=replace(case.shots, **{column: values}))


def of(found: tuple[Mistake, ...], setup: str, mark: str) -> list[Mistake]:
    return [m for m in found if m.setup == setup and mark in m.points and m.kind != SWAP[0]]


@pytest.mark.parametrize(
    ("setup", "mark", "column", "size"),
    [
        ("S3", "CP6", "distance", 1.000),
        ("S3", "CP6", "distance", 0.3),
        ("S3", "CP4", "distance", -0.1),
        ("S3", "T7", "direction", 0.1),
        ("S3", "CP4", "direction", -3.0),
        ("S1", "T4", "distance", 10.0),
        ("S5", "CP2", "direction", 0.3),
        ("S4", "CP6", "distance", -0.3),
    ],
)
def test_a_swap_beside_a_gross_reading_is_the_only_swap(
    yard: Survey, setup: str, mark: str, column: str, size: float
) -> None:
    """The planted swap is named, no other is, and the planted reading has its size to 10 mm."""
    found = diagnose(spoiled(yard, setup, mark, column, size)).mistakes
    swaps = [(m.kind, m.setup, m.points) for m in found if m.kind == SWAP[0]]
    assert swaps == [SWAP]
    (one,) = of(found, setup, mark)
    assert one.kind == column
    reach = case_of(yard).shots.distance[yard.rows(setup, mark)[0]] if column == "direction" else 1
    assert one.magnitude * reach == pytest.approx(size, abs=0.01)  # m


@pytest.mark.parametrize("size", [0.3, 3.0, -1.0, 10.0])
@pytest.mark.parametrize(("setup", "mark"), [("S3", "T7"), ("S5", "T3")])
def test_a_gross_pole_height_is_no_other_target(
    yard: Survey, setup: str, mark: str, size: float
) -> None:
    """Named a pole height; metres of it at 20 m change the distance too, which is left out."""
    found = diagnose(spoiled(yard, setup, mark, "target_height", size)).mistakes
    (one,) = of(found, setup, mark)
    assert one.kind == "target-height"
    assert one.magnitude == pytest.approx(size, abs=0.01)  # m
    assert one.kinds == (ZENITH, DISTANCE) or abs(size) < 1.0


def test_a_swap_that_two_setups_may_have_made_names_both() -> None:
    """Two marks that only S1 and S2 saw: which of them exchanged the names cannot be told."""
    survey = surveys()["two_setups"]
    case = case_of(survey)
    points = [case.points.index(name) for name in ("T1", "T2")]
    rows = np.flatnonzero((case.shots.setup == 0) & np.isin(case.shots.point, points))
    number = case.shots.point.copy()
    number[rows] = np.where(number[rows] == points[0], points[1], points[0])
    swapped = replace(case, shots=replace(case.shots, point=number))
    diagnosis = diagnose(swapped)
    (found,) = [m for m in diagnosis.mistakes if m.kind == SWAP[0]]
    setups = {found.setup, *(r.setup for r in found.rivals if r.kind == SWAP[0])}
    assert setups == {"S1", "S2"}
    assert not any(r.separable for r in found.rivals if r.kind == SWAP[0])
    disputes = find_disputes(diagnosis.solved, swapped, diagnosis.mistakes, Tolerances())
    assert {dispute.point for dispute in disputes} == {"T1", "T2"}
    for dispute in disputes:  # each lies where the other one lies by the other story
        here, there = (story.place[:2] for story in dispute.stories)
        assert np.hypot(*(here - there)) > 1.0


def test_a_swap_of_control_marks_is_sure(yard: Survey) -> None:
    """Control says which mark is which: no rival."""
    solved = solve(case_of(yard))
    none = np.zeros(0, dtype=np.int64)
    swap = Mistake(SWAP[0], "S1", ("CP1", "CP2"), none, ())
    assert with_equal_setups(solved, swap).rivals == ()
