"""The algebra of combined mistakes against solving again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.simulate import random_site, simulate
from tieup.diagnose.basis.hypotheses import component_bias
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.evidence.conditional_tests import estimate, explained, judge_all
from tieup.diagnose.evidence.evidence import gather, stack
from tieup.diagnose.evidence.identification import search
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.evidence.thresholds import Thresholds
from tieup.diagnose.kinds.catalogue import all_hypotheses
from tieup.diagnose.kinds.readings import single_readings
from tieup.model.settings import Precision


@pytest.fixture(scope="module")
def solved():
    rng = np.random.default_rng(3)
    site = random_site(rng, setups=4, kind="mixed", ties=5, side_shots=4)
    return solve(case_of(simulate(site, Precision(), rng)))


@pytest.fixture(scope="module")
def subjects(solved):
    case = solved.case
    evidence = gather(solved.network, solved.adjustment, solved.reduction.pointings)
    return Subjects(case.shots, case.setups, case.points, evidence)


def _total(solved):
    """v'Pv of means and deviations together."""
    pointings, sights = solved.reduction.pointings, solved.network.sights
    row = np.maximum(pointings.sight, 0)
    inside = (sights.count[row] > 1) & np.isfinite(pointings.deviation)
    squares = np.where(inside, pointings.deviation / sights.pointing_sd[row], 0.0) ** 2
    return solved.adjustment.weighted_sum + float(np.nansum(squares))


def test_what_whole_sights_explain_is_the_drop_when_they_are_left_out(solved, subjects):
    """Two whole-sight readings together explain v'Pv(with) - v'Pv(without), to 1e-3."""
    readings = [h for h in single_readings(subjects) if not h.detail]
    chosen = [readings[4], readings[13]]
    tested = stack(subjects.evidence, chosen)
    case = solved.case
    for hypothesis in chosen:
        case = case.without(hypothesis.rows, hypothesis.kinds)
    without = solve(case)
    left = _total(solved) - _total(without)
    inner = 0.0  # what the left-out sights' own deviations carried stays out of the comparison
    pointings, sights = solved.reduction.pointings, solved.network.sights
    for hypothesis in chosen:
        kind, rows = hypothesis.kinds[0], hypothesis.rows
        sd = sights.pointing_sd[pointings.sight[rows], kind]
        inner += float(np.sum((pointings.deviation[rows, kind] / sd) ** 2))
    # Leaving a two-face sight out also moves the estimated axis errors a little.
    assert explained(tested, (0, 1)) == pytest.approx(left - inner, abs=0.35)


def test_a_planted_bias_comes_back_with_its_size(solved, subjects):
    """A bias put into the readings returns as estimate minus the estimate without it, exactly."""
    readings = [h for h in single_readings(subjects) if not h.detail and h.kinds == (2,)]
    target = readings[5]
    before = stack(subjects.evidence, (target,))
    size_before, _ = estimate(before, (0,), 0)
    shots = solved.case.shots
    distance = shots.distance.copy()
    distance[target.rows] += 0.003
    again = solve(replace(solved.case, shots=replace(shots, distance=distance)))
    evidence = gather(again.network, again.adjustment, again.reduction.pointings)
    size_after, _ = estimate(stack(evidence, (target,)), (0,), 0)
    assert size_after[0] - size_before[0] == pytest.approx(0.003, abs=2e-6)  # m


def test_conditioning_makes_an_accepted_mistake_invisible_to_the_others(subjects):
    """A hypothesis that equals an accepted one says nothing any more."""
    readings = [h for h in single_readings(subjects) if not h.detail]
    twin = replace(
        readings[2], columns=(component_bias(readings[2].rows, readings[2].kinds[0], 2.0),)
    )
    tested = stack(subjects.evidence, (readings[2], twin, readings[9]))
    assert judge_all(tested)[0] == pytest.approx(judge_all(tested)[1], rel=1e-9)
    assert np.isnan(judge_all(tested, (0,))[1])
    assert np.isfinite(judge_all(tested, (0,))[2])


@pytest.mark.slow
def test_statistics_of_all_hypotheses_are_chi_square():
    """Over 150 clean jobs the mean of T is the number of its sizes, within 3 %."""
    totals: dict[int, list[float]] = {}
    rng = np.random.default_rng(11)
    site = random_site(rng, setups=4, kind="mixed", ties=5, side_shots=2)
    for _ in range(150):
        solved = solve(case_of(simulate(site, Precision(), rng)))
        case = solved.case
        evidence = gather(solved.network, solved.adjustment, solved.reduction.pointings)
        subjects = Subjects(case.shots, case.setups, case.points, evidence)
        hypotheses = all_hypotheses(subjects)
        statistic = judge_all(stack(evidence, hypotheses))
        for hypothesis, value in zip(hypotheses, statistic, strict=True):
            if np.isfinite(value):
                totals.setdefault(hypothesis.degrees, []).append(value)
    for degrees, values in totals.items():
        assert np.mean(values) == pytest.approx(degrees, rel=0.05)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("rounding", [-1e-12, 1e-12])
def test_of_causes_as_good_the_one_that_claims_least_is_named(
    solved, subjects, turned: bool, rounding: float
) -> None:
    """Three names for one bias, their columns alike but for rounding, in any order."""
    case = solved.case
    distance = case.shots.distance.copy()
    row = int(np.flatnonzero(subjects.evidence.row_connection >= 0)[0])
    distance[row] += 0.05
    spoiled = solve(replace(case, shots=replace(case.shots, distance=distance)))
    evidence = gather(spoiled.network, spoiled.adjustment, spoiled.reduction.pointings)
    asked = Subjects(case.shots, case.setups, case.points, evidence)
    own = next(h for h in single_readings(asked) if h.rows.tolist() == [row] and h.kinds == (2,))
    scaled = replace(own.columns[0], bias=own.columns[0].bias * (1.0 + rounding))
    wide = replace(own, setup="A", rows=np.append(own.rows, own.rows[0] + 1))
    later = replace(own, setup="Z", columns=(scaled,))
    causes = [wide, later, replace(own, setup="B")]
    causes = causes[::-1] if turned else causes
    (found,) = search(stack(evidence, causes), causes, Thresholds(np.ones(3), 3))
    assert found.mistake.setup == "B"
    assert [rival.setup for rival in found.mistake.rivals] == ["Z", "A"]
