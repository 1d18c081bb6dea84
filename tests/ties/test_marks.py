"""Mark ties: the differences, their sds, and what is made of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.adjust.networks import PRECISION, held_to_control, random_network
from tests.simulate import random_site, simulate
from tests.simulate.mistakes import target_height
from tests.simulate.yards import fire_station
from tests.ties.jobs import network_of, solve
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.model.settings import Precision, Tolerances
from tieup.ties.marks import judge_ties, mark_ties, smallest_caught
from tieup.ties.multiple_testing import holm
from tieup.ties.verdicts import PROVING, judge, state_of
from tieup.ties.withheld import withheld_ties

MM = 1e-3


def _row(network, ties, point, setup):
    return int(np.flatnonzero((ties.point == point) & (ties.setup == setup))[0])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("parts", [(0, 1, 2), (1,), (0, 2)])
def test_a_left_out_sight_shows_the_same_tie_as_one_that_took_part(seed, parts):
    """A tie is this setup against the rest, so it cannot depend on having been left out.

    Whatever components of a sight are withheld from the solution, difference and covariance
    of its tie stay those of the solution with all of them. Where a zenith angle is withheld without
    its distance, or the reverse, what the target does to both is left out: 6 % of the covariance.
    """
    rng = np.random.default_rng(70 + seed)
    network, _ = random_network(rng, setups=4, occupied=seed % 3, drop=0.0, side_shots=0)
    whole = mark_ties(held_to_control(network))
    for sight in (3, 9, 16):
        point, setup = network.sights.point[sight], network.sights.setup[sight]
        kept, out = network.sights.value.copy(), np.full_like(network.sights.value, np.nan)
        out[sight, list(parts)] = kept[sight, list(parts)]
        kept[sight, list(parts)] = np.nan
        result = held_to_control(replace(network, sights=replace(network.sights, value=kept)))
        withheld = withheld_ties(result, replace(network.sights, value=out), PRECISION, 0.13)
        ties = mark_ties(result, withheld)
        old, new = _row(network, whole, point, setup), _row(network, ties, point, setup)
        assert np.abs(whole.difference[old] - ties.difference[new]).max() < 5e-6  # m
        relative = whole.covariance[old] - ties.covariance[new]
        part = 1e-3 if len(parts) == 3 else 6e-2
        assert np.abs(relative).max() < part * np.abs(whole.covariance[old]).max()
        assert ties.withheld[new]
        assert ties.withheld.sum() == 1


@pytest.mark.parametrize(("coarse", "tested"), [(0.06, True), (0.2, False)])
def test_a_sight_that_is_known_to_decimetres_is_no_tie(coarse, tested):
    """One sight of four setups read to 6 cm or to 2 dm in each direction: 0.1 m is the limit."""
    network, _ = random_network(np.random.default_rng(71), drop=0.0, side_shots=0)
    sights = network.sights
    sd, sight = sights.pointing_sd.copy(), 9
    away = sights.value[sight, 2]
    sd[sight] = np.array([coarse / away, coarse / away, coarse]) * sights.count[sight] ** 0.5
    coarser = replace(network, sights=replace(sights, pointing_sd=sd))
    ties = mark_ties(held_to_control(coarser))
    row = _row(network, ties, sights.point[sight], sights.setup[sight])
    assert np.isfinite(ties.difference[row]).tolist() == [tested] * 3
    assert np.isfinite(ties.plan_sd[row]) == tested
    assert np.isfinite(np.delete(ties.difference, row, axis=0)).mean() > 0.9
    if tested:
        assert ties.sd[row, 2] == pytest.approx(coarse, rel=0.1)


def test_a_withheld_mistake_fails_where_it_was_made():
    """The shot that was taken out of the solution is the one that the table shows as failing."""
    rng = np.random.default_rng(5)
    survey = simulate(random_site(rng, setups=4, side_shots=0), Precision(), rng)
    setup, point = 2, int(survey.shots.point[survey.shots.setup == 2][0])
    name = survey.points[point]
    survey = target_height(survey, survey.rows("S3", name), 0.100)
    network = network_of(survey)
    sight = np.flatnonzero((network.sights.setup == setup) & (network.sights.point == point))
    kept, out = network.sights.value.copy(), np.full_like(network.sights.value, np.nan)
    out[sight, 1] = kept[sight, 1]
    kept[sight, 1] = np.nan
    without = replace(network, sights=replace(network.sights, value=kept))
    result = adjust(without, survey.precision, survey.refraction, held_frame(without))
    left_out = replace(network.sights, value=out)
    withheld = withheld_ties(result, left_out, survey.precision, survey.refraction)
    ties = mark_ties(result, withheld)
    judgement = judge_ties(ties, Tolerances())
    row = _row(network, ties, point, setup)
    assert abs(ties.difference[row, 2] + 0.100) < 6 * MM  # booked too large: placed too low
    assert judgement.verdict[row] == "fails"
    assert (np.delete(judgement.verdict, row) != "fails").all()


def test_a_plumb_line_ties_a_setup_to_the_mark_below():
    """Leave a setup's plumb line out: the mark it claims, against the mark all else gives."""
    network, _ = random_network(np.random.default_rng(8), setups=4, occupied=2, drop=0.0)
    ties = mark_ties(held_to_control(network))
    for setup in (0, 1):
        station = network.station.copy()
        station[setup] = -1
        rest = held_to_control(replace(network, station=station))
        mark = network.station[setup]
        height = np.array([0.0, 0.0, network.instrument_height[setup]])
        alone = rest.axis[setup] - height - rest.position[mark]
        row = _row(network, ties, mark, setup)
        assert ties.plumb[row]
        assert np.abs(ties.difference[row] - alone).max() < 5e-6  # m
    assert ties.plumb.sum() == 2


@pytest.mark.slow
def test_clean_jobs_do_not_fail():
    """Of 150 clean jobs of all kinds at most 3 have a failing tie (nominal 1 in 200)."""
    failing = 0
    for seed in range(150):
        rng = np.random.default_rng(3000 + seed)
        kind = ("free", "mixed", "occupied")[seed % 3]
        control = ("held", "weighted")[seed % 2]
        site = random_site(rng, setups=3 + seed % 4, kind=kind, control=control, side_shots=0)
        ties = mark_ties(solve(simulate(site, Precision(), rng)))
        failing += bool((judge_ties(ties, Tolerances()).verdict == "fails").any())
    assert failing <= 3


def test_a_sight_without_distance_is_judged_across_its_line():
    """A direction alone ties a mark across the line of sight: that part is judged, no more."""
    network, _ = random_network(np.random.default_rng(4), setups=4, occupied=0, drop=0.0)
    value = network.sights.value.copy()
    value[5, 2] = np.nan
    result = held_to_control(replace(network, sights=replace(network.sights, value=value)))
    ties = mark_ties(result)
    row = _row(network, ties, network.sights.point[5], network.sights.setup[5])
    assert ties.partial[row]
    assert np.isnan(ties.difference[row, :2]).all()
    ray = result.position[ties.point[row], :2] - result.axis[ties.setup[row], :2]
    across = result.sd[5, 0] * np.hypot(*ray)
    assert across < ties.plan_sd[row] < 3 * across
    assert judge_ties(ties, Tolerances("", 0.02, 0.02)).verdict[row] == "ties"


@pytest.mark.slow
def test_the_smallest_mistake_caught_is_caught_in_80_of_100():
    """A tie shifted by what it is said to catch exceeds the test of 0.001 with power 0.80."""
    rng = np.random.default_rng(21)
    site = random_site(rng, setups=4, side_shots=0)
    survey = simulate(site, Precision(), rng)
    ties = mark_ties(solve(survey))
    name = survey.points[survey.shots.point[0]]
    row = _row(network_of(survey), ties, survey.points.index(name), 0)
    caught, hits, draws = smallest_caught(ties, 4.1319)[row, 1], 0, 250
    for _ in range(draws):
        survey = simulate(site, Precision(), rng)
        shifted = target_height(survey, survey.rows("S1", name), -caught)
        ties = mark_ties(solve(shifted))
        hits += abs(ties.difference[row, 2] / ties.sd[row, 2]) > 3.2905
    assert abs(hits / draws - 0.80) < 0.076  # 3 sds of 250 draws


def test_the_smallest_mistake_caught_is_that_of_the_worst_direction():
    """In plan delta times the root of the larger eigenvalue, by numpy; none where nothing tests."""
    network, _ = random_network(np.random.default_rng(9), setups=4, occupied=1)
    ties = mark_ties(held_to_control(network))
    found = smallest_caught(ties, 4.1319)
    tested = np.isfinite(ties.covariance[:, :2, :2]).all(axis=(1, 2))
    worst = np.sqrt(np.linalg.eigvalsh(ties.covariance[tested][:, :2, :2]))
    assert (worst[:, 1] > 1.01 * worst[:, 0]).any()
    np.testing.assert_allclose(found[tested, 0], 4.1319 * worst[:, 1], rtol=0, atol=1e-12)  # m
    up = np.where(np.isfinite(ties.sd[:, 2]), 4.1319 * ties.sd[:, 2], np.inf)
    np.testing.assert_allclose(found[:, 1], up, rtol=0, atol=1e-12)  # m
    assert np.isinf(found[~tested, 0]).all()


def test_states_answer_both_questions():
    """Each of the four corners of limit and chance, and the three that prove nothing."""
    limit = 3 * MM
    size = np.array([1.0, 2.5, 4.0, 4.0, 1.0, np.nan, -9.0]) * MM
    sd = np.array([1.0, 0.5, 1.5, 0.8, 1.9, np.nan, 1.0]) * MM
    beyond = np.array([False, True, False, True, False, False, True])
    state = state_of(size, sd, limit, beyond)
    assert state.tolist() == ["good", "tight", "loose", "bad", "coarse", "open", "bad"]
    verdict = judge(state, np.full(7, "good", dtype=object)).verdict
    assert verdict.tolist() == [
        "ties", "ties", "untested", "fails", "untested", "untested", "fails",
    ]  # fmt: skip


def test_a_tie_proves_an_error_of_twice_the_limit():
    """At the coarsest sd that counts, an error of twice the limit passes 1 time in 20."""
    limit = 3 * MM
    sd = limit / PROVING
    passes = stats.norm.cdf(limit, 2 * limit, sd) - stats.norm.cdf(-limit, 2 * limit, sd)
    assert abs(passes - 0.05) < 1e-4


def test_an_unasked_height_does_not_spoil_a_tie_in_plan():
    """Where a mark has no height at all, its tie is judged in plan alone."""
    judged = judge(np.array(["good"], dtype=object), np.array(["unasked"], dtype=object))
    assert judged.verdict[0] == "ties"


@pytest.mark.slow
def test_holm_against_an_independent_implementation():
    """The same rejections as statsmodels' multipletests on random p-values."""
    from statsmodels.stats.multitest import multipletests

    rng = np.random.default_rng(2)
    for _ in range(50):
        chance = rng.uniform(size=30) ** 6
        assert (holm(chance, 0.01) == multipletests(chance, 0.01, "holm")[0]).all()


def test_the_clearest_difference_is_that_of_the_wrong_shot():
    """A 30 mm pole height mistake at a control mark is clearest at the setup that made it."""
    rng = np.random.default_rng(9)
    survey = simulate(random_site(rng, setups=4, ties=5, side_shots=0), Precision(), rng)
    name = next(n for n in survey.points if n.startswith("CP") and len(survey.rows("S2", n)))
    survey = target_height(survey, survey.rows("S2", name), 0.030)
    ties = mark_ties(solve(survey))
    worst = int(np.argmax(ties.clearness))
    assert (survey.setups[ties.setup[worst]].label, survey.points[ties.point[worst]]) == (
        "S2",
        name,
    )


def test_a_gross_mistake_does_not_smear_on_its_neighbours():
    """With a 60 mm mistake left in, the other ties are those of the job without that sight.

    The wrong sight itself still shows its whole size against them.
    """
    rng = np.random.default_rng(12)
    clean = simulate(random_site(rng, setups=4, ties=5, side_shots=0), Precision(), rng)
    times = [sum(len(clean.rows(s.label, n)) > 0 for s in clean.setups) for n in clean.points]
    name = clean.points[int(np.argmax(times))]
    label = next(s.label for s in clean.setups if len(clean.rows(s.label, name)))
    wrong = network_of(target_height(clean, clean.rows(label, name), 0.060))
    sights = wrong.sights
    setup, point = clean.setup_number(label), wrong.point_names.index(name)
    value = sights.value.copy()
    value[(sights.setup == setup) & (sights.point == point)] = np.nan
    without = replace(wrong, sights=replace(sights, value=value))
    left_in, taken_out = (
        mark_ties(adjust(n, clean.precision, clean.refraction, held_frame(n)))
        for n in (wrong, without)
    )
    row = _row(wrong, left_in, point, setup)
    assert abs(left_in.difference[row, 2] + 0.060) < 6 * MM
    verdict = judge_ties(left_in, Tolerances()).verdict
    assert verdict[row] == "fails" and (np.delete(verdict, row) != "fails").all()
    for other in range(len(left_in)):
        if other == row:
            continue
        same = _row(without, taken_out, left_in.point[other], left_in.setup[other])
        change = left_in.difference[other] - taken_out.difference[same]
        assert np.abs(change).max() < 2e-5  # m
        spread = left_in.sd[other] - taken_out.sd[same]
        assert np.abs(spread).max() < 2e-6  # m


def test_a_mark_of_two_setups_blames_both():
    """A 60 mm mistake at a mark that two setups alone have shot: either may be wrong."""
    rng = np.random.default_rng(14)
    survey = simulate(fire_station(rng), Precision(), rng)
    name, labels = "T1", ("S1", "S5")
    network = network_of(target_height(survey, survey.rows(labels[0], name), 0.060))
    ties = mark_ties(adjust(network, survey.precision, survey.refraction, held_frame(network)))
    verdict = judge_ties(ties, Tolerances()).verdict
    failing = {(ties.point[i], ties.setup[i]) for i in np.flatnonzero(verdict == "fails")}
    point = network.point_names.index(name)
    assert failing == {(point, survey.setup_number(label)) for label in labels}
