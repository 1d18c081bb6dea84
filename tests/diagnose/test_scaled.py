"""A control list that fits only with a scale, and what the look for one leaves prepared."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from tests.bench.days import draw_day
from tests.bench.outcomes import reconciled
from tests.bench.whole_mistakes import PLANTERS, SEED, judged
from tests.bench.worlds import world_of
from tests.diagnose.cases import case_of
from tests.simulate import random_site, simulate
from tests.simulate.mistakes import target_height
from tests.simulate.mistakes.control import control_scale
from tieup.diagnose.basis.solve import minimal_fit, solve
from tieup.diagnose.first_solution import scaled_control
from tieup.diagnose.first_solution.scaled_control import free_of_scaled_control, likely_cause
from tieup.diagnose.search.diagnose import diagnose
from tieup.model.settings import Datum, Precision, Tolerances


def _survey(seed: int):
    rng = np.random.default_rng(seed)
    site = random_site(rng, setups=4, ties=6, control="held", side_shots=4)
    return simulate(site, Precision(), rng)


@pytest.mark.parametrize("seed", range(4))
def test_the_held_network_gives_the_scale_of_the_free_net(seed: int) -> None:
    """Fitted minimally, it has the scale, sd and turn that the site solved free has.

    A similarity does not depend on the datum of the net (Ghilani, conformal transformation).
    """
    case = case_of(_survey(seed))
    free = replace(case, datum=Datum("free"))
    _, _, prepared = free_of_scaled_control(case, Tolerances())
    assert prepared is not None and prepared.minimal is not None
    own = solve(free.without_mask(scaled_control._side_shots(free)))
    one = scaled_control._onto_control(prepared.network, prepared.minimal)
    other = scaled_control._onto_control(own.network, own.adjustment)
    assert one is not None and other is not None
    assert one.fit.scale == pytest.approx(other.fit.scale, abs=1e-9)  # a ratio: 0.001 mm per km
    assert one.fit.sd_scale == pytest.approx(other.fit.sd_scale, rel=1e-4)
    assert one.fit.turn == pytest.approx(other.fit.turn, abs=1e-9)  # rad


@pytest.mark.parametrize("seed", range(3))
def test_what_was_prepared_changes_nothing(seed: int) -> None:
    """Solved from what was prepared or from scratch, coordinates and fits are the same."""
    case = case_of(_survey(seed))
    same, findings, prepared = free_of_scaled_control(case, Tolerances())
    assert same is case and not findings
    ahead, alone = diagnose(case, prepared).stated, diagnose(case).stated
    assert ahead.network is prepared.network
    assert np.abs(ahead.adjustment.position - alone.adjustment.position).max() < 1e-9  # m
    fits = minimal_fit(ahead, prepared), minimal_fit(alone)
    assert fits[0] is prepared.minimal
    assert fits[0].weighted_sum == pytest.approx(fits[1].weighted_sum, rel=1e-9)


def test_what_was_prepared_is_of_its_own_case_alone() -> None:
    """A case that a decision has changed is solved anew."""
    case = case_of(_survey(1))
    _, _, prepared = free_of_scaled_control(case, Tolerances())
    changed = case.without(np.array([0]), (0,))
    assert solve(changed, prepared).network is not prepared.network


@pytest.mark.parametrize("size", [300.0, -250.0])
def test_a_list_on_a_grid_is_not_held(size: float) -> None:
    """All distances of the list too long or short by a grid factor: freed, with the finding."""
    survey = control_scale(_survey(2), size)
    case, (finding,), prepared = free_of_scaled_control(case_of(survey), Tolerances())
    assert case.datum.kind == "free" and prepared is None
    assert finding.kind == "control-scale" and finding.severity == "stop"
    assert finding.size == pytest.approx(-size, abs=6.0 * finding.sd)  # ppm


def test_a_scale_within_the_limits_leaves_the_list_held() -> None:
    """The same list against limits of a metre: what it comes to across the site matters."""
    case = case_of(control_scale(_survey(2), 300.0))
    same, findings, _ = free_of_scaled_control(case, Tolerances("own", 1.0, 1.0))
    assert same is case and not findings


def test_a_gross_shot_leaves_the_fit_to_the_free_net() -> None:
    """With a pole 2 m wrong something misses its start: prepared is the network alone."""
    survey = _survey(3)
    mark = next(p for p in survey.points if p.startswith("CP") and len(survey.rows("S2", p)))
    case = case_of(target_height(survey, survey.rows("S2", mark), 2.0))
    same, findings, prepared = free_of_scaled_control(case, Tolerances())
    assert same is case and not findings
    assert prepared is not None and prepared.minimal is None


@pytest.mark.slow
def test_one_wrong_mark_of_three_is_not_called_a_scale() -> None:
    """One mark 20 mm off: named as a control value, or as what else a scale could be.

    30 days, of which a fifth were called a scale that no single mark explains before.
    """
    plant, _ = PLANTERS["control"]
    said = Counter[str]()
    for job in range(30):
        day = draw_day(world_of("three-marks"), SEED, job)
        planted = plant(np.random.default_rng([SEED, job]), day)
        if planted is not None:
            named, rival, _ = judged(reconciled(planted[0]), planted[1])
            said["told" if named or rival else "not told"] += 1
    assert said["told"] >= 18 and said["not told"] <= 1, said


@pytest.mark.slow
@pytest.mark.parametrize("setting", ["2-km+fine", "5-km"])
def test_a_scale_on_a_large_site_is_found_before_any_single_mistake(setting: str) -> None:
    """20 to 500 ppm of 2 and 5 km: told as the scale it is, nothing refused, nothing beside it."""
    plant, _ = PLANTERS["scale"]
    for job in range(8):
        planted = plant(np.random.default_rng([SEED, job]), draw_day(world_of(setting), SEED, job))
        if planted is not None:
            named, _, beside = judged(reconciled(planted[0]), planted[1])
            assert named and not beside, (job, beside)


def test_the_height_of_the_site_is_recognised() -> None:
    """500 m above the sea make 500 / 6,371,000 = 78.5 ppm, which is no weather."""
    assert "500 m above the sea" in likely_cause(78.5e-6, 2e-6, 500.0, None)
    assert "sea" not in likely_cause(-78.5e-6, 2e-6, 500.0, None)
    assert "weather" in likely_cause(30e-6, 2e-6, 500.0, None)
    assert "grid factor" in likely_cause(400e-6, 2e-6, 500.0, None)


@pytest.mark.parametrize("size", [40.0, 100.0])
def test_two_marks_that_do_not_fit_are_no_refusal(size: float) -> None:
    """A list of two marks that is scaled on 2 km: the list, or one of the two, is named.

    Which it is, two marks cannot say; neither is a sight of them blamed, nor the job refused.
    """
    day = draw_day(world_of("2-km+control"), SEED, 1)
    two = {name: day.control[name] for name in sorted(day.control)[:2]}
    world = replace(day.world, ppm=size)
    outcome = reconciled(replace(day, control=two, world=world))
    assert outcome.stops
    for found in outcome.stops:
        about = {found.kind, *(rival.kind for rival in found.rivals if not rival.separable)}
        assert about & {"control-scale", "control-coordinate"}, found.says
        assert set(found.points) <= set(two)
