"""Setups that are off as a whole, and rigid steps between neighbours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.montecarlo.stack import adjust_draws, per_copy
from tests.simulate import Survey, random_site, simulate
from tests.simulate.mistakes import instrument_height, target_height
from tests.simulate.mistakes.edit import shifted
from tests.ties.jobs import network_of, solve
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.model.settings import Precision, Tolerances
from tieup.ties.marks import mark_ties
from tieup.ties.pairs import judge_pairs, pair_steps
from tieup.ties.steps import setup_steps

MM = 1e-3
STEP = 0.005  # m
JOBS = 200


def _job(seed: int) -> tuple[np.random.Generator, Survey]:
    """Draw a clean job of 3 to 5 setups, some or all over marks.

    The instrument height is known to 0.5 mm (read off a scale on the tribrach) to 1 mm (taped).
    """
    rng = np.random.default_rng(seed)
    site = random_site(
        rng,
        setups=int(rng.integers(3, 6)),
        kind=("mixed", "occupied")[int(rng.integers(2))],
        control="held",
        side_shots=3,
    )
    precision = replace(Precision(), height_instrument=float(rng.uniform(0.5, 1.0)) * MM)
    return rng, simulate(site, precision, rng)


@pytest.mark.slow
def test_a_step_of_5_mm_in_one_setup_is_named():
    """In 200 jobs: the setup that puts all its targets 5 mm high or low is named in 95 %.

    Counted where the predicted sd of the step is under 1.2 mm; the same setup must be the first
    one named, in height, with the right sign, and no other.
    """
    named, counted = 0, 0
    for seed in range(JOBS):
        rng, survey = _job(seed)
        occupied = [s.label for s in survey.setups if s.station]
        label, sign = str(rng.choice(occupied)), float(rng.choice([-1.0, 1.0]))
        steps = setup_steps(solve(instrument_height(survey, label, sign * STEP)))
        s = survey.setup_number(label)
        if steps.sd[s, 2] > 1.2 * MM:
            continue
        counted += 1
        named += (
            steps.named.tolist() == [s]
            and bool(steps.in_height[s])
            and np.sign(steps.step[s, 2]) == sign
        )
    assert counted >= 0.9 * JOBS
    assert named >= 0.95 * counted


@pytest.mark.slow
def test_clean_jobs_have_no_step():
    """In 200 clean jobs a step is named in no more than 2 %, and called sure in none."""
    named = sure = 0
    for seed in range(JOBS):
        steps = setup_steps(solve(_job(seed)[1]))
        named += len(steps.named) > 0
        sure += bool(steps.sure.any())
    assert named <= 0.02 * JOBS
    assert sure == 0


def test_a_pole_height_wrong_all_setup_long_is_the_same_step():
    """Every pole height of an occupied setup booked 5 mm too small puts all of it 5 mm high."""
    _, survey = _job(3)
    label = next(s.label for s in survey.setups if s.station)
    s = survey.setup_number(label)
    clean = setup_steps(solve(survey)).step[s]
    wrong = setup_steps(solve(target_height(survey, survey.rows(label), -STEP))).step[s]
    assert abs((wrong - clean)[2] - STEP) < 0.05 * MM
    assert np.abs((wrong - clean)[:2]).max() < 0.05 * MM


def test_a_free_station_swallows_its_step():
    """All heights of a free station 50 mm off: its ties stay, its step is undefined, by design."""
    rng = np.random.default_rng(1)
    survey = simulate(random_site(rng, setups=3, side_shots=3), Precision(), rng)
    rows = survey.rows("S2")
    wrong = target_height(survey, rows, 0.050)
    before, after = solve(survey), solve(wrong)
    change = mark_ties(after).difference - mark_ties(before).difference
    assert np.abs(change).max() < 0.05 * MM
    steps = setup_steps(after)
    assert (after.problem.network.station < 0).all()
    assert np.isnan(steps.step).all() and len(steps.named) == 0


def test_the_step_is_the_plumb_tie_turned_round():
    """What the sights are off against their mark is the mark's tie with the sign changed."""
    _, survey = _job(5)
    result = solve(survey)
    ties, steps = mark_ties(result), setup_steps(result)
    for row in np.flatnonzero(ties.plumb):
        assert np.abs(steps.step[ties.setup[row]] + ties.difference[row]).max() < 1e-9  # m
        assert np.abs(steps.covariance[ties.setup[row]] - ties.covariance[row]).max() < 1e-12


def moved(survey: Survey, label: str, names: list[str], step: np.ndarray, turn: float) -> Survey:
    """Move what a setup saw of some marks by a rigid step about their middle."""
    points = np.array([survey.truth.points.index(name) for name in names])
    places = survey.truth.position[points]
    middle = places[:, :2].mean(axis=0)
    for name, place in zip(names, places, strict=True):
        arm = place[:2] - middle
        shift = step + np.array([-turn * arm[1], turn * arm[0], 0.0])
        survey = shifted(survey, survey.rows(label, name), shift)
    return survey


def test_a_rigid_step_between_two_setups_comes_back():
    """What one setup saw of the work it shares with another, moved by N, E, H and a turn."""
    rng = np.random.default_rng(17)
    survey = simulate(random_site(rng, setups=4, ties=6, side_shots=2), Precision(), rng)
    clean = pair_steps(solve(survey))
    row = int(np.argmax(clean.work))
    s, t = clean.pair[row]
    assert clean.work[row] >= 2
    shared = [
        name
        for name in survey.points
        if name.startswith("T")
        and all(len(survey.rows(survey.setups[k].label, name)) for k in (s, t))
    ]
    step, turn = np.array([0.012, -0.007, 0.009]), 2e-4
    wrong = moved(survey, survey.setups[s].label, shared, step, turn)
    found = pair_steps(solve(wrong)).step[row] - clean.step[row]
    # A mark that a third setup has shot too is let go for both: only the two are compared.
    assert np.abs(found[:3] - step).max() < 0.05 * MM
    assert abs(found[3] - turn) < 1e-6  # rad
    verdict = judge_pairs(pair_steps(solve(wrong)), Tolerances()).verdict
    assert verdict[row] == "fails"


@pytest.mark.slow
def test_sds_of_pair_steps_against_monte_carlo():
    """Mean ratio of simulated to predicted variance within 5 %, each within chance."""
    rng = np.random.default_rng(23)
    site = random_site(rng, setups=4, ties=5, kind="mixed", control="weighted", side_shots=2)
    draws, found = 500, []
    for stack in adjust_draws(site, Precision(), 24, draws):
        steps = pair_steps(stack.adjustment)
        found.append(per_copy(stack, steps.step))
        sd = per_copy(stack, steps.sd)[-1]
    found = np.concatenate(found)
    assert len(found) == draws
    ratio = np.var(found, axis=0) / sd**2
    ratio = ratio[np.isfinite(ratio)]
    assert len(ratio) >= 8
    assert abs(ratio.mean() - 1.0) < 0.05
    low, high = stats.chi2.ppf([1e-6, 1 - 1e-6], draws - 1) / draws
    assert low < ratio.min() and ratio.max() < high


def test_a_turn_is_carried_to_the_farthest_shot():
    """The plan step at the far end is the shift and the turn times the arm."""
    rng = np.random.default_rng(29)
    survey = simulate(random_site(rng, setups=3, ties=5, side_shots=8), Precision(), rng)
    result = solve(survey)
    steps = pair_steps(result)
    for row in np.flatnonzero(np.isfinite(steps.step[:, 3])):
        arm = result.position[steps.far_point[row], :2] - steps.middle[row]
        north, east, _, turn = steps.step[row]
        at = np.hypot(north - turn * arm[1], east + turn * arm[0])
        assert abs(at - steps.far_plan[row]) < 1e-9  # m
        shots = np.isin(result.connections.setup, steps.pair[row])
        seen = result.position[result.connections.point[shots], :2] - steps.middle[row]
        assert np.hypot(*arm) >= np.hypot(*seen.T).max() - 1e-9


def test_setups_joined_by_their_marks_alone_have_no_step():
    """Two free stations in a free net take on each other's placement: nothing to compare."""
    rng = np.random.default_rng(31)
    site = random_site(rng, setups=2, ties=5, control="none", side_shots=2)
    survey = simulate(site, Precision(), rng)
    network = network_of(survey)
    steps = pair_steps(adjust(network, survey.precision, survey.refraction, held_frame(network)))
    assert len(steps) == 1 and np.isnan(steps.step).all() and steps.computed.all()
    assert judge_pairs(steps, Tolerances()).verdict[0] == "untested"


@pytest.mark.parametrize("seed", [0, 1])
def test_taking_a_step_back_takes_its_chi_square_with_it(seed):
    """The weighted sum falls by s' C^-1 s where S1 saw the shared work a step s nearer to S2's.

    So after moves in several directions, which between them ask for all of C.
    """
    rng = np.random.default_rng(seed)
    survey = simulate(random_site(rng, setups=2, ties=6, side_shots=2), Precision(), rng)
    shared = [
        n
        for n in survey.points
        if n[0] == "T" and all(survey.rows(s, n).size for s in ("S1", "S2"))
    ]
    sums = []
    for _ in range(4):
        step = rng.normal(size=4) * [3 * MM, 3 * MM, 3 * MM, 1e-4]
        other = moved(survey, "S1", shared, step[:3], step[3])
        result = solve(other)
        (found,), (covariance,) = pair_steps(result).step, pair_steps(result).covariance
        back = solve(moved(other, "S1", shared, -found[:3], -found[3]))
        fall = result.weighted_sum - back.weighted_sum
        assert found @ np.linalg.solve(covariance, found) == pytest.approx(fall, abs=0.05)
        sums.append(fall)
    assert max(sums) > 10.0
