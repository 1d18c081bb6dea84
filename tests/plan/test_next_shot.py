"""The best next shot: what the update predicts is what a new solution finds, and it is the best."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.montecarlo.sites import Setting, site_of
from tests.montecarlo.stack import STILL
from tests.plan.jobs import CONTROL, JOB, PLACES, SIGHTS, plan_of_survey, without, write_plan_job
from tests.simulate import simulate
from tests.simulate.survey import rearranged
from tests.simulate.yards import fire_station
from tieup.adjust.cofactors import point_covariance
from tieup.config import load_job
from tieup.planning import draw, forecast
from tieup.preanalysis.candidate_screening import most_promising
from tieup.preanalysis.candidates import (
    Candidates,
    candidate_sights,
    find_candidates,
    joined,
    search_area,
)
from tieup.preanalysis.design_quality import Demand, DesignState, describe_state, longest_sight
from tieup.preanalysis.full_covariance import full_covariance
from tieup.preanalysis.nextshot import (
    Search,
    judge,
    merit,
    rank,
    solved_standing,
    take,
    weakest,
)
from tieup.preanalysis.prospects import expected_certainty, prospects_of
from tieup.preanalysis.reliability_class import unproved
from tieup.preanalysis.scheme import Scheme, solve_scheme
from tieup.preanalysis.update import make_base

FREE = "F,,CP1,1.6,2,2\nF,,CP4,1.6,2,2\n"
LONELY = "L,,T1,1.6,1,2\nL,,Q,1.6,1,2\n"
PLANS = {
    "whole": SIGHTS,
    "two-tie": SIGHTS + FREE,
    "unchecked mark": SIGHTS + "S2,,Q,1.6,1,2\n",
    "over a mark": SIGHTS + "O,T3,CP1,1.6,1,2\n",
    "in line": SIGHTS + "N,,CP1,1.6,1,2\nN,,CP2,1.6,1,2\n",
    "hangs": SIGHTS + LONELY,
}
MORE_PLACES = PLACES + "F,1010,1030,12\nQ,1062,1030,11\nN,1020,1000.5,12\nL,1050,1020,12\n"


def solved_plan(folder: Path) -> tuple[Scheme, DesignState, Search]:
    """Return the scheme of a plan job, solved, and what its search is held to."""
    job, drawn = draw(load_job(folder, planning=True))
    scheme, planned = drawn.scheme, drawn.points
    demand = Demand(job.tolerances, job.confidence)
    state = describe_state(scheme, solve_scheme(scheme), planned, demand)
    reach = 1.5 * longest_sight(state.adjustment, state.standing.wanted)
    certainty = expected_certainty(scheme, state.adjustment)
    return scheme, state, Search(demand, planned, reach, certainty)


def all_candidates(scheme: Scheme, state: DesignState, search: Search) -> Candidates:
    """Return every candidate of a plan."""
    area = search_area(scheme, state.adjustment, state.standing.wanted, weakest(state))
    return find_candidates(scheme, state.adjustment, area, search.reach)


def compare(folder: Path) -> int:
    """Compare judged with solved standings of all candidates; return how many there are."""
    scheme, state, search = solved_plan(folder)
    area = search_area(scheme, state.adjustment, state.standing.wanted, weakest(state))
    candidates = find_candidates(scheme, state.adjustment, area, search.reach)
    sights = candidate_sights(scheme, candidates)
    judged = judge(scheme, state, search, area, candidates)
    solved = [
        solved_standing(scheme, search, take(sights, np.array([i]))) for i in range(len(sights))
    ]
    for quick, slow in zip(judged, solved, strict=True):
        assert quick is not None
        assert slow is not None
        assert quick.missing == slow.missing
        np.testing.assert_array_equal(quick.wanted, slow.wanted)
        np.testing.assert_array_equal(quick.proof[quick.wanted], slow.proof[slow.wanted])
        np.testing.assert_array_equal(quick.lacking, slow.lacking)
        np.testing.assert_allclose(quick.spread, slow.spread, rtol=1e-6, atol=1e-9)  # m
        np.testing.assert_allclose(quick.stance, slow.stance, rtol=1e-6, atol=1e-9)  # m
        assert quick.worst == pytest.approx(slow.worst, abs=1e-6)
        assert quick.burden == pytest.approx(slow.burden, abs=1e-6)
    assert rank(judged).tolist() == rank(solved).tolist()
    return len(sights)


@pytest.mark.parametrize("name", PLANS)
def test_the_ranking_is_that_of_solving_again_with_each_candidate(
    name: str, tmp_path: Path
) -> None:
    """Low-rank update against a new solution: sds to 1e-6, proof, setups, order of all."""
    folder = write_plan_job(tmp_path, places=MORE_PLACES, sights=PLANS[name])
    assert compare(folder) >= 2


@pytest.mark.parametrize("kind", ["free", "occupied", "mixed"])
@pytest.mark.parametrize("control", ["held", "weighted"])
def test_the_ranking_holds_on_simulated_sites(kind: str, control: str, tmp_path: Path) -> None:
    """Three setups of every kind, control held or weighted, side shots planned as well."""
    setting = Setting(kind, control)  # type: ignore[arg-type]
    survey = simulate(site_of(setting), STILL, np.random.default_rng(4))
    assert compare(plan_of_survey(tmp_path, survey)) >= 2


@pytest.mark.parametrize("control", ["weighted", "held", "none"])
def test_the_joint_covariance_is_that_of_the_adjustment(control: str, tmp_path: Path) -> None:
    """Marks, side shots and setups in one matrix: as the adjustment's own, asked otherwise."""
    setting = Setting("mixed" if control != "none" else "free", control)  # type: ignore[arg-type]
    survey = simulate(site_of(setting), STILL, np.random.default_rng(2))
    _, state, _ = solved_plan(plan_of_survey(tmp_path, survey))
    adjustment = state.adjustment
    marks = np.flatnonzero(adjustment.problem.solved_point)
    setups = np.flatnonzero(adjustment.problem.solved_setup)
    joint = full_covariance(adjustment, setups, marks)
    edge = 4 * len(setups)
    wanted = point_covariance(adjustment, marks).reshape(3 * len(marks), -1)
    np.testing.assert_allclose(joint.matrix[edge:, edge:], wanted, atol=1e-15)  # m^2
    for number, setup in enumerate(setups.tolist()):
        own = slice(4 * number, 4 * number + 4)
        np.testing.assert_allclose(
            joint.matrix[own, own], adjustment.setup_covariance[setup], atol=1e-15
        )


def test_the_named_shots_are_the_greedy_best(tmp_path: Path) -> None:
    """Each named shot proves most of the first three by precision, after the one before.

    Of those that prove as much it is the one that betters precision most, by solving each.
    """
    folder = write_plan_job(tmp_path, places=MORE_PLACES, sights=PLANS["two-tie"])
    scheme, state, search = solved_plan(folder)
    shots = forecast(load_job(folder, planning=True)).answer.shots
    assert len(shots) >= 2
    for shot in shots:
        candidates = all_candidates(scheme, state, search)
        sights = candidate_sights(scheme, candidates)
        each = [
            solved_standing(scheme, search, take(sights, np.array([i]))) for i in range(len(sights))
        ]
        first = sorted(range(len(each)), key=lambda i: (*merit(each[i]), i))[:3]  # type: ignore[arg-type]
        before = prospects_of(scheme, state.adjustment, search.demand.sizes)
        if not unproved(state, before):
            first = first[:1]
        left = {}
        for number in first:
            whole = scheme.with_sights(joined(scheme.sights, take(sights, np.array([number]))))
            after = describe_state(whole, solve_scheme(whole), search.planned, search.demand)
            proves = prospects_of(whole, after.adjustment, search.demand.sizes, search.certainty)
            left[number] = (unproved(after, proves), *merit(after.standing))
        best = min(left, key=lambda number: left[number])
        label = scheme.setups[int(candidates.setup[best])].label
        assert (shot.setup, shot.point) == (label, scheme.points[int(candidates.point[best])])
        scheme = scheme.with_sights(joined(scheme.sights, take(sights, np.array([best]))))
        state = describe_state(scheme, solve_scheme(scheme), search.planned, search.demand)


def test_a_setup_on_two_marks_is_given_a_third(tmp_path: Path) -> None:
    """What nothing checks counts more than precision: the first shot mends the two-tie setup."""
    folder = write_plan_job(tmp_path, places=MORE_PLACES, sights=PLANS["two-tie"])
    first = forecast(load_job(folder, planning=True)).answer.shots[0]
    assert first.setup == "F"
    assert "F no longer two-tie" in first.gains


def test_a_mark_sighted_once_is_sighted_again(tmp_path: Path) -> None:
    """A planned mark that one setup sights is checked by the first named shot."""
    folder = write_plan_job(tmp_path, places=MORE_PLACES, sights=PLANS["unchecked mark"])
    answer = forecast(load_job(folder, planning=True)).answer
    assert answer.faults == ("Q: nothing would catch a mistake in it",)
    assert answer.shots[0].point == "Q"
    assert "Q checked" in answer.shots[0].gains


def test_what_hangs_in_the_air_is_tied_first(tmp_path: Path) -> None:
    """A setup that one mark holds is not placed; the first named shot ties it."""
    folder = write_plan_job(tmp_path, places=MORE_PLACES, sights=PLANS["hangs"])
    answer = forecast(load_job(folder, planning=True)).answer
    assert "L tied" in answer.shots[0].gains


def test_nothing_beyond_the_reach_is_tried(tmp_path: Path) -> None:
    """Candidates end at 1.5 times the longest sight, and the screen's number is that."""
    far = CONTROL + "FAR,1000,1400,10,0.001,0.001,0.001\n"
    folder = write_plan_job(tmp_path, control=far)
    scheme, state, search = solved_plan(folder)
    longest = max(
        float(np.hypot(*(scheme.place[p] - scheme.axis[s])[:2]))
        for s, p in zip(scheme.sights.setup, scheme.sights.point, strict=True)
    )
    assert search.reach == pytest.approx(1.5 * longest, abs=1e-9)  # m
    candidates = all_candidates(scheme, state, search)
    assert candidates.away.max() <= search.reach
    assert "FAR" not in {scheme.points[p] for p in candidates.point.tolist()}
    pairs = set(zip(candidates.setup.tolist(), candidates.point.tolist(), strict=True))
    known = set(zip(scheme.sights.setup.tolist(), scheme.sights.point.tolist(), strict=True))
    assert not pairs & known


def test_control_that_nobody_sights_is_a_candidate(tmp_path: Path) -> None:
    """A known mark within reach helps though no planned sight names it."""
    text = without(SIGHTS, "S2,,CP3")
    folder = write_plan_job(tmp_path, job=JOB, sights=text)
    scheme, state, search = solved_plan(folder)
    candidates = all_candidates(scheme, state, search)
    assert "CP3" in {scheme.points[p] for p in candidates.point.tolist()}
    assert compare(folder) >= 2


def test_of_very_many_candidates_the_promising_ones_hold_the_best(tmp_path: Path) -> None:
    """The first measure keeps the best of all candidates among a fifth of them.

    On the fire-station yard: its ties planned from their setups, some 50 candidates; with the
    job as it is, and with one setup on two marks only.
    """
    survey = simulate(fire_station(np.random.default_rng(3)), STILL, np.random.default_rng(3))
    keep = [row for row, role in enumerate(survey.shots.role) if role in ("backsight", "foresight")]
    whole = plan_of_survey(tmp_path / "whole", rearranged(survey, np.array(keep)))
    lines = (whole / "sights.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("S5,")]
    few = [line for line in lines if line.startswith(("S5,,,CP7", "S5,,,CP8"))]
    assert len(few) == 2
    two = write_plan_job(
        tmp_path / "two",
        control=(whole / "control.csv").read_text(encoding="utf-8"),
        places=(whole / "places.csv").read_text(encoding="utf-8"),
        sights="".join(kept + few),
    )
    for folder in (whole, two):
        scheme, state, search = solved_plan(folder)
        area = search_area(scheme, state.adjustment, state.standing.wanted, weakest(state))
        candidates = find_candidates(scheme, state.adjustment, area, search.reach)
        sights = candidate_sights(scheme, candidates)
        best = int(rank(judge(scheme, state, search, area, candidates))[0])
        base = make_base(scheme, state, search.demand, area)
        some = most_promising(base, sights, len(sights) // 5)
        assert len(some) == len(sights) // 5
        assert best in some.tolist()
