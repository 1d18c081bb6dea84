"""The constant of all distances of a job: its size, its sd, and when it is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import a_job, case_of
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.search.diagnose import Diagnosis
from tieup.diagnose.search.job_constant import job_constant, with_job_constant
from tieup.model.settings import Precision


@pytest.fixture(scope="module")
def case() -> Case:
    """Return a free net of four setups: nothing but itself says how long its sights are."""
    return case_of(a_job(1, control="none", side_shots=0))


def longer(case: Case, constant: float, scale: float = 0.0) -> Solved:
    """Return the case with all distances longer by a constant (m) and a scale, solved."""
    distance = case.shots.distance * (1.0 + scale) + constant
    return solve(replace(case, shots=replace(case.shots, distance=distance)))


def told(solved: Solved) -> list[str]:
    """Return the kinds that a diagnosis without mistakes keeps in."""
    return [one.kind for one in with_job_constant(Diagnosis(solved, solved, ())).kept]


def test_a_constant_comes_back_with_its_sign_and_sd(case: Case) -> None:
    """All distances 30 mm too long, too short: as much more, less than before; the sd is a step.

    The sum of squares of a linear model falls by the square of the size over its sd where the
    constant is taken off again: at the estimate it is least, one sd beside it one more than that.
    """
    clean = job_constant(solve(case))
    assert clean is not None and abs(clean.magnitude) < 4.0 * clean.sd
    for constant in (0.030, -0.030):
        found = job_constant(longer(case, constant))
        assert found is not None and found.unit == "m"
        assert found.magnitude - clean.magnitude == pytest.approx(constant, abs=1e-4)
        assert found.sd == pytest.approx(clean.sd, rel=1e-2)
        assert found.statistic == pytest.approx(abs(found.magnitude) / found.sd, rel=1e-9)
    fits = [
        longer(case, -clean.magnitude + step).adjustment.weighted_sum
        for step in (-clean.sd, 0.0, clean.sd)
    ]
    assert fits[0] - fits[1] == pytest.approx(1.0, abs=0.02)
    assert fits[2] - fits[1] == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_constant_is_told_from_5_mm_on(case: Case, sign: float) -> None:
    """4.8 mm are not worth telling, 5.2 mm are, of either sign: prisms differ by more."""
    before = job_constant(solve(case))
    assert before is not None
    for size, kept in ((0.0048, []), (0.0052, ["prism-constant"])):
        assert told(longer(case, sign * size - before.magnitude)) == kept


@pytest.mark.parametrize(("sd", "kept"), [(0.019, ["prism-constant"]), (0.021, [])])
def test_a_constant_that_the_shape_of_the_site_hardly_shows_is_not_told(
    case: Case, sd: float, kept: list[str]
) -> None:
    """With gear so coarse that its sd is beyond 20 mm it could be anything."""
    own = job_constant(solve(case))
    assert own is not None
    coarse: Precision = case.precision.scattering([(sd / own.sd) ** 2] * 5)
    assert told(longer(replace(case, precision=coarse), 0.1)) == kept


def test_what_was_found_already_is_not_told_twice(case: Case) -> None:
    """A constant of the job among the mistakes or what stays in; that of one setup is another."""
    solved = longer(case, 0.030)
    found = job_constant(solved)
    assert found is not None and not found.setup
    for diagnosis in (Diagnosis(solved, solved, (found,)), Diagnosis(solved, solved, (), (found,))):
        assert with_job_constant(diagnosis) is diagnosis
    other = replace(found, setup="S1")
    kept = with_job_constant(Diagnosis(solved, solved, (other,), (other,))).kept
    assert [one.setup for one in kept] == ["S1", ""]


def test_a_scale_is_no_constant_and_the_rival_of_one() -> None:
    """In a net held to control: 400 ppm are a scale, 20 mm a constant, 3 mm the one or the other.

    In weighted squares the scale explains less than the constant by 11 or more, or not.
    """
    case = case_of(a_job(0, side_shots=0))
    assert job_constant(longer(case, 0.0, 400e-6)) is None
    for constant, separable in ((0.020, True), (0.003, False)):
        found = job_constant(longer(case, constant))
        assert found is not None
        (rival,) = found.rivals
        assert (rival.kind, rival.setup, rival.points) == ("distance-scale", "", ())
        left = found.statistic**2 - rival.statistic**2
        assert 0.0 < left < 0.5 * found.statistic**2
        assert rival.separable == separable == (left > 11.0)


def test_a_job_without_distances_has_no_constant(case: Case) -> None:
    """Nothing is asked of what was not measured."""
    solved = solve(case)
    use = case.use.copy()
    use[:, 2] = False
    assert job_constant(replace(solved, case=replace(case, use=use))) is not None
    pointings = solved.reduction.pointings
    corrected = pointings.corrected.copy()
    corrected[:, 2] = np.nan
    angles = replace(solved.reduction, pointings=replace(pointings, corrected=corrected))
    assert job_constant(replace(solved, reduction=angles)) is None
