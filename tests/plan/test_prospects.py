"""What a plan says would be proved: against textbooks, plain draws and the finished survey."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.endtoend.jobs import SAMPLE
from tests.plan.jobs import PLACES, SIGHTS, write_plan_job
from tieup.adjust.scatter import Misclosures, estimate_scatter, expected_scatter
from tieup.adjust.solution import Adjustment
from tieup.config import load_job
from tieup.diagnose.evidence.margins import noticed_size, noticed_sizes
from tieup.diagnose.evidence.misclosures import misclosures_of
from tieup.diagnose.proof.guarding import guard
from tieup.diagnose.search.diagnose import diagnose
from tieup.diagnose.search.look import evidence_of
from tieup.model.arrays import FloatArray
from tieup.model.settings import StandingTargets
from tieup.pipeline import make_case, read_site
from tieup.planning import draw
from tieup.preanalysis.believed import scheme_of
from tieup.preanalysis.candidates import Candidates, candidate_sights, joined
from tieup.preanalysis.draws import draw_days
from tieup.preanalysis.nextshot import take
from tieup.preanalysis.planned_sights import _joined
from tieup.preanalysis.prospects import Prospects, prospects_of
from tieup.preanalysis.scheme import Scheme, places_of, solve_scheme
from tieup.preanalysis.scheme_rows import as_solved

stats = pytest.importorskip("scipy.stats")
LIMITS = np.array([0.006, 0.003])  # m


def solved(folder: Path, **lists: str) -> tuple[Scheme, Adjustment, Prospects]:
    """Return the scheme of a plan job, its solution and its prospects."""
    _, drawn = draw(load_job(write_plan_job(folder, **lists), planning=True))
    adjustment = solve_scheme(drawn.scheme)
    return drawn.scheme, adjustment, prospects_of(drawn.scheme, adjustment, LIMITS)


def test_the_threshold_is_that_of_all_the_tests_of_a_job() -> None:
    """t(1 - 0.005 / M; df) of scipy.stats, 1 + 0.35 / sqrt(df) times before the field, and 0.70."""
    for family, freedom in ((72, 12.0), (216, 30.0), (1223, 145.0)):
        critical = stats.t.isf(0.005 / family, freedom)
        assert float(noticed_size(family, freedom)) == pytest.approx(critical + 0.70, abs=1e-6)
        planned = float(noticed_size(family, freedom, planned=True))
        assert planned == pytest.approx(critical * (1 + 0.35 / freedom**0.5) + 0.70, abs=1e-6)


def test_a_mistake_of_several_sizes_is_found_8_times_in_10_along_its_weakest() -> None:
    """Non-central chi-square of scipy.stats: beyond the F value with the power 0.80."""
    freedom, degrees = np.full(3, 30.0), np.array([1, 2, 3])
    found = noticed_sizes(216, freedom, degrees)
    assert found[0] == pytest.approx(float(noticed_size(216, 30.0)))
    for size, q in zip(found[1:].tolist(), (2, 3), strict=True):
        beyond = q * stats.f.isf(0.01 / 216, q, 30.0)
        assert stats.ncx2.sf(beyond, q, size**2) == pytest.approx(0.80, abs=1e-4)


@pytest.mark.slow
def test_the_scatter_expected_is_that_of_estimates() -> None:
    """60 misclosures of five groups, 1,500 draws: the logs swing as foretold, within 15 %."""
    rng = np.random.default_rng(3)
    half = rng.standard_normal((5, 60, 60)) / 17.0
    parts: FloatArray = half @ half.transpose(0, 2, 1)
    nothing = Misclosures(np.zeros(60), parts, np.zeros((60, 60)))
    expected = expected_scatter(nothing)
    root = np.linalg.cholesky(nothing.covariance(np.ones(5)))
    whole = []
    for _ in range(1500):
        drawn = replace(nothing, t=root @ rng.standard_normal(60))
        whole.append(np.log(estimate_scatter(drawn, np.zeros((60, 0))).factors).mean())
    one = np.full(5, 0.2)
    assert np.std(whole) == pytest.approx(float(np.sqrt(one @ expected.swing @ one)), rel=0.15)
    assert (np.diag(expected.swing) < np.diag(expected.covariance)).all()


def test_what_is_drawn_of_a_mistake_has_its_covariance(tmp_path: Path) -> None:
    """4,000 drawn days of the plan: sizes of every single reading scatter as their sds, 6 %."""
    _, drawn = draw(load_job(write_plan_job(tmp_path), planning=True))
    whole = as_solved(drawn.scheme, solve_scheme(drawn.scheme))
    dense = misclosures_of(evidence_of(whole), whole.case.precision)
    assert dense is not None
    guarded = guard(whole, expected_scatter(dense.misclosures))
    assert guarded is not None
    days = draw_days(guarded, 4000)
    one = np.flatnonzero(guarded.guards.degrees == 1)
    sd = np.sqrt(guarded.guards.spread[one, 0, 0])
    found = days.sizes[:, guarded.guards.first[one]].std(axis=0)
    shown = sd > 0
    np.testing.assert_allclose(found[shown] / sd[shown], 1.0, atol=0.06)


def test_at_stated_weights_the_field_has_the_planned_sds() -> None:
    """What reconcile solves with the gear as stated and what the plan foretells: within 1 %."""
    job = load_job(SAMPLE / "fire_station_clean")
    fieldbook, control = read_site(job)
    stated = diagnose(make_case(job, fieldbook, control)).stated
    wanted = np.sqrt(np.diagonal(stated.adjustment.point_covariance, axis1=1, axis2=2))
    scheme = scheme_of(stated)
    found = np.sqrt(np.diagonal(solve_scheme(scheme).point_covariance, axis1=1, axis2=2))
    seen = np.isfinite(wanted) & (wanted > 0)
    np.testing.assert_allclose(found[seen], wanted[seen], rtol=0.01)


def test_a_planned_second_look_is_a_visit_of_its_own(tmp_path: Path) -> None:
    """A mark that was shot is planned again: its pole is set up anew, unless it stands all day."""
    _, drawn = draw(load_job(write_plan_job(tmp_path), planning=True))
    shot = drawn.scheme.sights
    again = take(shot, np.array([0]))
    sights, planned = _joined(shot, again, StandingTargets())
    assert (len(sights), np.flatnonzero(planned).tolist()) == (len(shot) + 1, [len(shot)])
    for standing in (
        StandingTargets(everywhere=True),
        StandingTargets(points=frozenset({int(shot.point[0])})),
    ):
        sights, planned = _joined(shot, again, standing)
        assert (len(sights), np.flatnonzero(planned).tolist()) == (len(shot), [0])
        assert (sights.count[0] == 2 * shot.count[0]).all()


def test_one_definition_before_and_after(tmp_path: Path) -> None:
    """A mark is checked, a bay ties, where 8 drawn days in 10 show it; what one sees is not."""
    plan = tieup.plan(
        write_plan_job(
            tmp_path, places=PLACES + "Q,1062,1030,11\n", sights=SIGHTS + "S2,,Q,1.6,1,2\n"
        )
    )
    points = plan.points.set_index("point")
    assert points.loc["Q", ["proof", "checked_share"]].tolist() == ["unchecked", 0.0]
    assert np.isnan(points.loc["Q", "hidden_horizontal"])
    others = points.drop(index="Q")
    assert ((others["proof"] == "checked") == (others["checked_share"] >= 0.8)).all()
    assert (others["hidden_horizontal"] < others["unnoticed_horizontal"]).all()
    bays = [*plan.setups.itertuples(), *plan.joints.itertuples()]
    assert {bay.verdict for bay in bays} == {"would tie"}
    assert all(bay.tie_share >= 0.8 for bay in bays)


def after_look(scheme: Scheme, adjustment: Adjustment, setup: int, point: int) -> Prospects:
    """Return what a scheme would prove with one more look, measured as its others are."""
    place, axis = places_of(scheme, adjustment)
    away = float(np.hypot(*(place[point] - axis[setup])[:2]))
    one = Candidates(np.array([setup]), np.array([point]), np.array([away]))
    whole = scheme.with_sights(joined(scheme.sights, candidate_sights(scheme, one)))
    found = prospects_of(whole, solve_scheme(whole), LIMITS)
    assert found is not None
    return found


def test_one_more_look_is_asked_of_a_plan_and_of_a_finished_survey(tmp_path: Path) -> None:
    """A third mark for a station on two closes it; so does a look added to what was shot."""
    scheme, adjustment, before = solved(
        tmp_path,
        places=PLACES + "F,1010,1030,12\n",
        sights=SIGHTS + "F,,CP1,1.6,2,2\nF,,CP4,1.6,2,2\n",
    )
    after = after_look(scheme, adjustment, 2, scheme.points.index("T2"))
    assert before.setups[2] is not None
    assert after.setups[2] is not None
    assert before.setups[2].share < 0.8 < after.setups[2].share
    again = after_look(scheme, adjustment, 2, scheme.points.index("CP1"))
    assert again.setups[2] is not None  # of a mark that it has shot: a visit of its own
    job = load_job(SAMPLE / "two_setups")
    field = diagnose(make_case(job, *read_site(job))).solved
    shot = scheme_of(field)
    place = shot.points.index(next(name for name in shot.points if name.startswith("CP")))
    more = after_look(shot, field.adjustment, 0, place)
    assert len(more.setups) == len(field.case.setups)
