"""What rules measure of a site, against what was laid out, planted, or worked out anew."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.distance import cdist

from tests.simulate import Survey, random_site, simulate
from tests.simulate.mistakes.edit import shifted
from tests.ties.evidence import gather
from tests.ties.jobs import simulated_yard
from tests.ties.test_geometry import _site
from tieup.adjust.cofactors import point_covariance
from tieup.geometry import ARC_SECOND
from tieup.model.settings import Precision
from tieup.ties.rule_evidence import RuleEvidence
from tieup.ties.rule_measures import MEASURES


@pytest.fixture(scope="module")
def yard() -> tuple[Survey, RuleEvidence]:
    """Return a clean day at the yard and what rules look at."""
    survey = simulated_yard(14)
    return survey, gather(survey)


def values(name: str, evidence: RuleEvidence) -> dict[str, float]:
    """Return what was measured by its subject."""
    found = MEASURES[name](evidence)
    return dict(zip(found.subject, found.value.tolist(), strict=True))


def known(survey: Survey) -> dict[str, set[str]]:
    """Return the points that each setup has sighted or stands over."""
    points = {setup.label: set() for setup in survey.setups}
    for setup, point in zip(survey.shots.setup, survey.shots.point, strict=True):
        points[survey.setups[setup].label].add(survey.points[point])
    for setup in survey.setups:
        points[setup.label] |= {setup.station} - {"", None}
    return points


def ties_of(survey: Survey) -> set[str]:
    """Return the points that control or more than one setup knows."""
    seen = known(survey)
    twice = {p for a, b in combinations(seen, 2) for p in seen[a] & seen[b]}
    return twice | (set(survey.control.names) & set().union(*seen.values()))


def away(survey: Survey, label: str, names: set[str]) -> np.ndarray:
    """Return the true vectors (n, 3) from the instrument of a setup."""
    rows = [survey.truth.points.index(name) for name in sorted(names)]
    return survey.truth.position[rows] - survey.truth.axis[survey.setup_number(label)]


def test_what_each_setup_sights_is_counted_and_its_longest_sights_are_told(yard) -> None:
    """By sets of names, and by the true lengths to 20 mm, the pole's height besides."""
    survey, evidence = yard
    seen, ties = known(survey), ties_of(survey)
    control = set(survey.control.names)
    assert values("ties_sighted", evidence) == {s: len(own & ties) for s, own in seen.items()}
    assert values("control_sighted", evidence) == {s: len(own & control) for s, own in seen.items()}
    for name, chosen in (("work", lambda own: own - ties), ("control", lambda own: own & control)):
        found = values(f"{name}_sight_length", evidence)
        assert set(found) == {label for label, own in seen.items() if chosen(own)}
        for label, value in found.items():
            own = chosen(seen[label]) - {survey.setups[survey.setup_number(label)].station}
            reach = np.linalg.norm(away(survey, label, own), axis=1).max()
            assert value == pytest.approx(reach, abs=0.06)  # m


def test_fans_of_free_stations(yard) -> None:
    """Three marks or more: the full circle less the widest gap; of two the angle between them."""
    survey, evidence = yard
    ties = ties_of(survey)
    free = [setup.label for setup in survey.setups if not setup.station]
    found = values("tie_spread", evidence)
    assert set(found) == set(free) and free
    for label, value in found.items():
        plan = away(survey, label, known(survey)[label] & ties)
        bearing = np.sort(np.degrees(np.arctan2(plan[:, 1], plan[:, 0])) % 360.0)
        widest = max(*np.diff(bearing), bearing[0] + 360.0 - bearing[-1])
        assert np.degrees(value) == pytest.approx(360.0 - widest, abs=0.05)
    two = simulate(
        random_site(np.random.default_rng(5), setups=2, ties=2, control="held", side_shots=2),
        Precision(),
        np.random.default_rng(5),
    )
    alone = gather(two)
    assert values("tie_spread", alone) == {} and values("two_mark_angle", evidence) == {}
    angles = values("two_mark_angle", alone)
    assert set(angles) == {setup.label for setup in two.setups}
    for label, value in angles.items():
        a, b = away(two, label, known(two)[label] & ties_of(two))[:, :2]
        cosine = a @ b / np.linalg.norm(a) / np.linalg.norm(b)
        assert value == pytest.approx(np.arccos(cosine), abs=1e-3)  # rad


def test_a_backsight_that_is_off_is_measured_along_its_ray_and_up() -> None:
    """S3 saw its backsight 40 mm too far, 30 mm aside and 25 mm high, in both faces and looks."""
    survey = simulated_yard(14)
    label, own = "S3", survey.rows("S3")
    first = own[0]
    name = survey.points[survey.shots.point[first]]
    ray = away(survey, label, {name})[0, :2]
    unit = ray / np.linalg.norm(ray)
    shift = np.array([*(0.040 * unit + 0.030 * np.array([-unit[1], unit[0]])), 0.025])
    evidence = gather(shifted(survey, survey.rows(label, name), shift))
    clean = gather(survey)
    for part, size in (("distance", 0.040), ("height", 0.025)):
        measure = MEASURES[f"backsight_{part}"]
        found = measure(evidence)
        row = found.subject.index(label)
        assert found.value[row] == pytest.approx(size, abs=0.004)  # m, with the day's scatter
        assert found.distance[row] == pytest.approx(np.linalg.norm(ray), abs=0.05)
        assert measure(clean).value[row] < 0.006


def test_a_setup_that_turns_steadily_has_its_turn_over_its_time() -> None:
    """90" an hour over two hours and over half of one; of two looks it is not told."""
    survey = simulate(
        random_site(np.random.default_rng(3), setups=3, ties=5, side_shots=8),
        Precision(),
        np.random.default_rng(3),
    )
    evidence = gather(survey)
    assert values("drift_direction", evidence) == {}
    turn = 90.0 * ARC_SECOND / 3600.0
    drift = type(evidence.drift)(
        **{
            **vars(evidence.drift),
            "looks": np.array([3, 2, 3]),
            "span": np.array([7200.0, 7200.0, 1800.0]),
            "turn": np.array([turn, turn, -turn]),
        }
    )
    found = MEASURES["drift_direction"](type(evidence)(**{**vars(evidence), "drift": drift}))
    assert found.subject == ("S1", "S3") and found.missing == ("S2",)
    np.testing.assert_allclose(found.value / ARC_SECOND, [180.0, 45.0], rtol=0, atol=1e-9)


def test_the_fit_and_the_worst_residual(yard) -> None:
    """The sum over its 97.5 % point by scipy, and the largest |w| of each setup."""
    survey, evidence = yard
    fit = evidence.fit
    bound = stats.chi2.ppf(0.975, fit.dof)
    assert values("fit_excess", evidence)["site"] == pytest.approx(fit.statistic / bound, rel=1e-9)
    found = values("standardised_residual", evidence)
    for number, setup in enumerate(survey.setups):
        own = np.abs(evidence.w[survey.shots.setup == number])
        assert found[setup.label] == pytest.approx(np.nanmax(own), abs=1e-12)


def test_precision_of_marks_and_spacing_of_control(yard) -> None:
    """Ellipses at 95 % by eigenvalues, intervals by 1.96, distances by scipy."""
    survey, evidence = yard
    ties = ties_of(survey)
    ellipse, interval = values("mark_ellipse", evidence), values("mark_height_interval", evidence)
    assert set(ellipse) == set(interval) == ties
    for name in ties:
        own = evidence.adjustment.point_covariance[evidence.points.index(name)]
        major = np.sqrt(max(np.linalg.eigvalsh(own[:2, :2])[-1], 0.0) * stats.chi2.ppf(0.95, 2))
        assert ellipse[name] == pytest.approx(major, abs=1e-7)  # m
        up = stats.norm.ppf(0.975) * np.sqrt(max(own[2, 2], 0.0))
        assert interval[name] == pytest.approx(up, abs=1e-7)
    spacing = values("control_spacing", evidence)
    control = sorted(set(survey.control.names) & ties)
    assert set(spacing) == set(control)
    place = np.array([evidence.adjustment.position[evidence.points.index(n), :2] for n in control])
    apart = cdist(place, place) + np.diag(np.full(len(place), np.inf))
    np.testing.assert_allclose([spacing[n] for n in control], apart.min(axis=1), atol=1e-9)


def test_joints_and_loops_by_their_names(yard) -> None:
    """Marks in common by sets; steps of joints and of shared points of strings; loops walked."""
    survey, evidence = yard
    seen, ties = known(survey), ties_of(survey)
    common = values("marks_in_common", evidence)
    assert len(common) >= 5
    for name, count in common.items():
        a, b = name.split("-")
        assert count == len(seen[a] & seen[b] & ties)
    shared = evidence.joints.point >= 0
    for part, column, of_pairs in (
        ("plan", 1, evidence.pairs.plan),
        ("height", 0, np.abs(evidence.pairs.step[:, 2])),
    ):
        found = MEASURES[f"joint_{part}"](evidence)
        labels = [f"S{a + 1}-S{b + 1}" for a, b in evidence.pairs.pair]
        own = [step for label, step in zip(labels, of_pairs, strict=True) if label in common]
        assert found.value.tolist() == [*own, *np.abs(evidence.joints.value[shared, column])]
        assert found.missing == ("TRENCH S1-S2",)  # no shared point: nothing tests it
    for name, read in (("ratio", lambda c: c.plan / c.length), ("turn", lambda c: c.turn)):
        found = MEASURES[f"loop_{name}"](evidence)
        assert found.value.tolist() == [abs(read(c)) for c in evidence.closures]
        assert found.distance.tolist() == [c.length for c in evidence.closures]
    first = evidence.closures[0].setups
    assert found.subject[0] == "-".join("control" if s < 0 else f"S{s + 1}" for s in first)


def test_how_far_the_survey_puts_control_from_its_list() -> None:
    """CP5 listed 30 mm north and 40 mm east of where it is, CP7 20 mm high: 50 mm, 20 mm."""
    survey = simulated_yard(14)
    control = survey.control
    wrong = control.coordinates.copy()
    wrong[control.names.index("CP5"), :2] += [0.030, 0.040]
    wrong[control.names.index("CP7"), 2] += 0.020
    evidence = gather(replace(survey, control=replace(control, coordinates=wrong)))
    plan, height = values("control_fit_plan", evidence), values("control_fit_height", evidence)
    assert plan["CP5"] == pytest.approx(0.050, abs=0.005)  # m, with the day's scatter
    assert height["CP7"] == pytest.approx(0.020, abs=0.004)
    assert plan["CP7"] < 0.012 and height["CP5"] < 0.008
    for name in plan:
        row = evidence.control.point.tolist().index(evidence.points.index(name))
        north, east, up = evidence.control.difference[row]
        assert plan[name] == pytest.approx((north**2 + east**2) ** 0.5, abs=1e-12)
        assert height[name] == pytest.approx(abs(up), abs=1e-12)


@pytest.mark.parametrize(
    ("work", "near", "told"), [(1, True, True), (0, True, False), (2, False, False)]
)
def test_neighbours_that_share_a_work_mark_meet(yard, work, near, told) -> None:
    """One is enough; control marks alone make no joint, nor setups with a third between them."""
    _, evidence = yard
    pairs = evidence.pairs
    row = int(np.flatnonzero(pairs.neighbour & (pairs.work > 1))[0])
    shared, neighbour = pairs.work.copy(), pairs.neighbour.copy()
    shared[row], neighbour[row] = work, near
    other = replace(evidence, pairs=replace(pairs, work=shared, neighbour=neighbour))
    name = "-".join(evidence.setups[s] for s in pairs.pair[row])
    for measure in ("marks_in_common", "joint_plan", "joint_height"):
        assert name in values(measure, evidence)
        assert (name in values(measure, other)) == told


def test_relative_ellipses_of_neighbours(yard) -> None:
    """No third mark in the circle over the two; the larger axis of the covariance between them.

    Both marks of a pair known to each other better than a tenth of a micrometre are held.
    """
    survey, evidence = yard
    result = evidence.adjustment
    for name, chosen in (
        ("relative_ellipse", ties_of(survey)),
        ("control_relative_ellipse", ties_of(survey) & set(survey.control.names)),
    ):
        found = MEASURES[name](evidence)
        marks = np.array(sorted(evidence.points.index(own) for own in chosen))
        place = result.position[marks, :2]
        joint = point_covariance(result, marks)
        expected = {}
        for i, j in combinations(range(len(marks)), 2):
            middle, radius = (place[i] + place[j]) / 2, np.hypot(*(place[i] - place[j])) / 2
            others = np.delete(place, [i, j], axis=0)
            if (np.hypot(*(others - middle).T) < radius).any():
                continue
            apart = joint[i, :, i] + joint[j, :, j] - joint[i, :, j] - joint[j, :, i]
            major = np.sqrt(np.linalg.eigvalsh(apart[:2, :2])[-1] * stats.chi2.ppf(0.95, 2))
            if major > 1e-7:
                label = f"{evidence.points[marks[i]]}-{evidence.points[marks[j]]}"
                expected[label] = (major, 2 * radius)
        assert set(found.subject) == set(expected) and len(expected) > 2
        for label, value, distance in zip(found.subject, found.value, found.distance, strict=True):
            assert (value, distance) == pytest.approx(expected[label], rel=1e-6)


@pytest.mark.parametrize(
    ("places", "spacing"),
    [
        ({"A": (50, 0), "B": (20, 40)}, {"A": 50.0, "B": 50.0}),
        ({"A": (50, 0), "B": (20, 40), "C": (20, 70)}, {"A": 50.0, "B": 30.0, "C": 30.0}),
        ({"A": (50, 0)}, {}),
    ],
)
def test_spacing_of_two_or_three_control_marks(places, spacing) -> None:
    """To the nearest other, by Pythagoras (3-4-5); one by itself has none."""
    survey = simulate(_site(places), Precision(), np.random.default_rng(0))
    found = MEASURES["control_spacing"](gather(survey))
    assert dict(zip(found.subject, found.value, strict=True)) == pytest.approx(spacing, abs=1e-9)
    assert (found.reason == "fewer than two control marks") == (not spacing)


def test_what_is_read_off_ties_setups_and_gear(yard) -> None:
    """Each by the name of what it is of, without its sign."""
    _, evidence = yard
    ties = evidence.ties
    labels = [
        f"{evidence.setups[s]} {evidence.points[p]}"
        for s, p in zip(ties.setup, ties.point, strict=True)
    ]
    for name, column in (("tie_plan", ties.plan), ("tie_height", np.abs(ties.difference[:, 2]))):
        expected = {n: v for n, v in zip(labels, column.tolist(), strict=True) if np.isfinite(v)}
        assert values(name, evidence) == expected
        missing = [n for n, v in zip(labels, column.tolist(), strict=True) if not np.isfinite(v)]
        assert list(MEASURES[name](evidence).missing) == missing
    for measure, attribute in (
        ("setup_sd_plan", "sd_plan"),
        ("setup_sd_height", "sd_height"),
        ("caught_plan", "caught_plan"),
        ("caught_height", "caught_height"),
        ("least_redundancy", "least_redundancy"),
    ):
        own = [getattr(one, attribute) for one in evidence.geometry]
        assert values(measure, evidence) == dict(zip(evidence.setups, own, strict=True))
    loops = MEASURES["loop_height"](evidence)
    assert loops.value.tolist() == [abs(c.height) for c in evidence.closures]
    assert loops.count.tolist() == [sum(s >= 0 for s in c.setups) for c in evidence.closures]
    assert values("instrument_distance_constant", evidence) == {"default": 0.0015}  # m
    assert values("instrument_distance_ppm", evidence) == {"default": pytest.approx(2e-6)}
