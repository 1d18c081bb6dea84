"""Geometry words and the numbers behind them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import Aim, Mark, SetupPlan, Site, in_faces, random_site, simulate
from tests.ties.jobs import network_of, solve
from tests.ties.test_numbering import numbered_first
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.geometry import ARC_SECOND, azimuth
from tieup.model.settings import Precision
from tieup.ties.free_station_precision import danger, station_alone
from tieup.ties.marks import mark_ties
from tieup.ties.sector import best_sector
from tieup.ties.setup_geometry import fan, setup_geometry

DELTA = 4.1319  # sds; test of 0.001 with power 0.80


def _ring(degrees, lengths):
    bearing, length = np.radians(degrees), np.array(lengths, dtype=float)
    return np.column_stack([np.cos(bearing), np.sin(bearing)]) * length[:, None]


def _sd(offset):
    """5 seconds, 2 mm + 2 ppm, target centring 1.5 mm."""
    length = np.hypot(*offset.T)
    direction = np.hypot(5 * ARC_SECOND, 0.0015 / length)
    return np.column_stack([direction, np.hypot(0.002 + 2e-6 * length, 0.0015)])


@pytest.mark.parametrize(
    ("degrees", "station", "orientation", "directions", "distances"),
    [
        ([0, 90], (2.2, 2.0), 8.5, (17, 21), (17, 21)),
        ([0, 170], (1.8, 1.4), 5.4, (158, 189), (15, 15)),
        ([0, 120, 240], (1.3, 1.3), 4.4, (14, 19), (12, 12)),
        ([0, 90, 180, 270], (1.1, 1.1), 4.0, (11, 16), (12, 12)),
    ],
    ids=["two at 90", "two at 170", "three spread", "four spread"],
)
def test_one_station_alone_against_the_worked_table(
    degrees, station, orientation, directions, distances
):
    """Station sd, orientation sd and smallest mistakes of a free station, worked by hand.

    From a worked table of the trade (5 seconds, 2 mm + 2 ppm, 1.5 mm centring, sights "about
    50-60 m"): its lengths are not printed, so sds are held to 0.2 mm and 0.5 seconds, mistakes
    to 2 mm or 2 %.
    """
    offset = _ring(degrees, [50, 60, 55, 58][: len(degrees)])
    alone = station_alone(offset, _sd(offset))
    sd = np.sqrt(np.diag(alone.covariance))
    assert np.abs(np.sort(sd[:2])[::-1] * 1000 - station).max() < 0.2  # mm
    assert abs(sd[2] / ARC_SECOND - orientation) < 0.5
    k = len(degrees)
    smallest = DELTA * _sd(offset).T.ravel() / np.sqrt(alone.redundancy)
    by_direction = smallest[:k] * np.hypot(*offset.T) * 1000  # mm at the mark
    by_distance = smallest[k:] * 1000
    for values, (low, high) in ((by_direction, directions), (by_distance, distances)):
        assert values.min() > low - 2 - 0.02 * low
        assert values.max() < high + 2 + 0.02 * high
    assert abs(alone.redundancy.sum() - (2 * k - 3)) < 1e-9


def test_two_marks_cannot_tell_which_of_them_moved():
    """With two marks some shift of a mark always passes unseen; with three none does."""
    two, three = _ring([0, 90], [50, 60]), _ring([0, 120, 240], [50, 60, 55])
    assert np.isinf(station_alone(two, _sd(two)).shift_sd).all()
    assert np.isfinite(station_alone(three, _sd(three)).shift_sd).all()


def test_angles_alone_on_the_danger_circle():
    """A station on the circle through its marks is not fixed by directions; off it, it is."""
    circle = _ring([0, 100, 230], [40, 40, 40])  # the origin is its centre
    on = circle - _ring([60], [40])
    off = circle - _ring([60], [10])
    directions = np.array([2 * ARC_SECOND, np.nan])
    assert danger(on) < 1e-9
    assert danger(off) > 0.5
    assert np.isnan(station_alone(on, np.tile(directions, (3, 1))).covariance).all()
    assert np.isfinite(station_alone(off, np.tile(directions, (3, 1))).covariance).all()


def test_a_mark_is_wanted_across_the_line():
    """For a station between two marks in line, the sector lies across, off the line."""
    offset = _ring([20, 200], [50, 60])
    sector = best_sector(offset, _sd(offset), offset, line=np.radians(20))
    assert sector is not None
    middle = sector.start + np.mod(sector.end - sector.start, 2 * np.pi) / 2
    assert abs(np.sin(middle - np.radians(20))) > np.sin(np.radians(60))
    assert sector.holds(np.array([middle]))[0]
    assert not sector.holds(np.array([middle + np.pi]))[0]


def test_a_mark_in_the_sector_does_what_it_promises():
    """A narrow fan with one more mark in the sector's middle: the shots' sds shrink by the gain."""
    offset = _ring([0, 20, 40], [55, 55, 55])
    sector = best_sector(offset, _sd(offset), offset)
    assert sector is not None and sector.gain < 0.6
    rng = np.random.default_rng(0)
    inside = sector.start + rng.uniform(size=20) * np.mod(sector.end - sector.start, 2 * np.pi)
    for bearing in inside:
        more = np.vstack([offset, 55 * np.array([np.cos(bearing), np.sin(bearing)])])
        alone = station_alone(more, _sd(more))
        assert np.isfinite(alone.shift_sd).all()
        before = station_alone(offset, _sd(offset)).covariance
        assert (
            np.linalg.eigvalsh(alone.covariance[:2, :2])[-1]
            < np.linalg.eigvalsh(before[:2, :2])[-1]
        )


def test_among_many_marks_all_round_another_is_as_good_anywhere():
    """Eight marks, one every 45 degrees: no bearing does a tenth better, so the sector is round."""
    offset = _ring(45.0 * np.arange(8), [50.0] * 8)
    sector = best_sector(offset, _sd(offset), offset)
    assert sector is not None and 0.9 < sector.gain < 1.0
    assert sector.holds(np.linspace(0.0, 2 * np.pi, 73)[:-1]).sum() >= 71
    assert best_sector(offset[:0], _sd(offset)[:0], offset) is None


def test_a_setup_over_its_only_mark_hangs_on_that():
    """No mark sighted: one tie, nothing beyond a longest one, and no fan."""
    survey = simulate(_site({}, "ST"), Precision(), np.random.default_rng(0))
    result = solve(survey)
    (geometry,) = setup_geometry(result, mark_ties(result))
    assert (geometry.word, geometry.ties, geometry.beyond) == ("single", 1, 0)
    assert "one tie only" in geometry.why and geometry.sector is None
    assert np.isnan([geometry.spread, geometry.outer]).all()
    assert geometry.longest_tie == 0.0


def test_where_one_more_mark_is_not_enough_no_bearing_is_the_best():
    """Of two marks with distances a shift passes unseen, and of three by directions alone."""
    one, two = _ring([30], [50]), _ring([30, 75], [50, 60])
    assert best_sector(one, _sd(one), one) is None
    assert best_sector(two, _sd(two), two) is not None
    directions = np.column_stack([_sd(two)[:, 0], [np.nan, np.nan]])
    assert best_sector(two, directions, two) is None


def test_fan_is_the_circle_less_the_widest_gap():
    """Bearings 350, 10 and 40 degrees span 50 degrees, across north."""
    assert abs(np.degrees(fan(np.radians([350, 10, 40]))) - 50) < 1e-9


def _site(places: dict[str, tuple[float, float]], station: str = "", distances: bool = True):
    """Return one setup at the origin that sights control at places given in metres."""
    marks = [Mark(n, 100 + a, 100 + b, 10.0, (0, 0, 0)) for n, (a, b) in places.items()]
    marks += [Mark("X", 130.0, 120.0, 10.0)]
    if station:
        marks.append(Mark(station, 100.0, 100.0, 10.0, (0, 0, 0)))
    observed = (True, True, distances)
    aims = [a for n in places for a in in_faces(Aim(n, observed=observed), 1, 2)]
    plan = SetupPlan("S1", (*aims, Aim("X")), axis=(100.0, 100.0, 11.5))
    if station:
        plan = replace(plan, station=station, instrument_height=1.5)
    return Site(tuple(marks), (plan,))


CASES = {
    "strong": {"A": (50, 0), "B": (-20, 40), "C": (-30, -40)},
    "two-tie": {"A": (50, 0), "B": (0, 60)},
    "in-line": {"A": (50, 0), "B": (-60, 3), "C": (70, -2)},
    "weak": {"A": (50, 0), "B": (48, 15), "C": (40, 27)},
}


@pytest.mark.parametrize("word", CASES)
def test_words_of_free_stations(word):
    """Each shape gets its word, with a reason unless it is strong."""
    survey = simulate(_site(CASES[word]), Precision(), np.random.default_rng(0))
    result = solve(survey)
    (geometry,) = setup_geometry(result, mark_ties(result))
    assert geometry.word == word
    assert bool(geometry.why) == (word != "strong")
    assert (geometry.sector is None) == (word == "strong")


@pytest.mark.parametrize("first", ["A", "ST"])
def test_one_backsight_over_a_known_mark_is_two_ties(first):
    """Over one mark with one backsight: the distance between the two is all that is proved.

    Whichever of the two is the first point of the job.
    """
    survey = simulate(_site({"A": (50, 0)}, "ST"), Precision(), np.random.default_rng(0))
    result = solve(numbered_first(survey, first))
    (geometry,) = setup_geometry(result, mark_ties(result))
    assert (geometry.word, geometry.ties) == ("two-tie", 2)
    assert geometry.sector is not None
    assert geometry.sector.holds(np.array([np.pi]))[0]  # opposite the backsight
    edges = np.pi / 2 * np.array([1.01, 2.99, 0.99, 3.01, 0.0])  # a quarter circle to each side
    assert geometry.sector.holds(edges).tolist() == [True, True, False, False, False]


def test_angles_only_on_the_circle_is_the_danger_circle():
    """Directions and zeniths to three marks on one circle with the station."""
    circle = _ring([0, 100, 230], [40, 40, 40]) - _ring([52], [40])
    places = {name: tuple(place) for name, place in zip("ABC", circle, strict=True)}
    survey = simulate(_site(places, distances=False), Precision(), np.random.default_rng(0))
    network = network_of(survey)
    result = adjust(network, survey.precision, survey.refraction, held_frame(network))
    (geometry,) = setup_geometry(result, mark_ties(result))
    assert geometry.word in ("danger-circle", "disconnected")
    near = circle - 6 * azimuth_unit(circle.mean(axis=0))
    places = {name: tuple(place) for name, place in zip("ABC", near, strict=True)}
    survey = simulate(_site(places, distances=False), Precision(), np.random.default_rng(0))
    result = solve(survey)
    (geometry,) = setup_geometry(result, mark_ties(result))
    assert geometry.word == "danger-circle"


def _word(places, **more):
    """Return the geometry word of a free station at places of known marks, and why."""
    result = solve(simulate(_site(places, **more), Precision(), np.random.default_rng(0)))
    (geometry,) = setup_geometry(result, mark_ties(result))
    return geometry.word, geometry.why


def _places(offset):
    return dict(zip("ABC", map(tuple, offset.tolist()), strict=False))


@pytest.mark.parametrize(
    ("offset", "word", "why"),
    [
        # a fan of 58 and of 62 degrees, across north
        (_ring([-29, 5, 29], [50, 50, 50]), "weak", "its marks lie in a fan of 58 degrees"),
        (_ring([-31, 5, 31], [50, 50, 50]), "strong", ""),
        # the third mark 19 and 21 degrees off the line of the others through the instrument
        (_ring([0, 180, 199], [50, 60, 70]), "in-line", "marks and instrument in one line"),
        (_ring([0, 180, 201], [50, 60, 70]), "strong", ""),
        # a row of marks 80 m long that bulges by 3.2 and by 3.8 m: a twentieth is 3.5 m
        (np.array([[30, -40], [33.2, 0], [30, 40.0]]), "weak", "its marks stand in a line"),
        (np.array([[30, -40], [33.8, 0], [30, 40.0]]), "strong", ""),
        # two marks, of which the fan would be wide enough
        (_ring([0, 90], [50, 50]), "two-tie", "two marks prove the distance between them"),
    ],
    ids=["narrow", "wide", "line", "off it", "row", "bulge", "two"],
)
def test_where_one_word_ends_and_the_next_begins(offset, word, why):
    """The limits of the words of a free station, from either side; common practice, no source."""
    found, says = _word(_places(offset))
    assert found == word and says.startswith(why) and bool(says) == bool(why)


@pytest.mark.parametrize(("share", "word"), [(0.13, "danger-circle"), (0.17, "weak")])
def test_how_near_the_danger_circle_is_near(share, word):
    """A station off the circle of its three marks by so much of the radius, 40 m: 0.15 is near.

    Beyond it three directions fix the station, and nothing checks them.
    """
    offset = _ring([0, 100, 230], [40, 40, 40]) - _ring([52], [40 * (1.0 - share)])
    assert danger(offset) == pytest.approx(share, abs=1e-12)
    assert _word(_places(offset), distances=False)[0] == word
    assert _word(_places(offset))[0] == "strong"  # with distances there is no such circle


@pytest.mark.parametrize(("far", "word"), [(44.9, "strong"), (45.1, "weak")])
def test_how_far_beyond_the_marks_work_may_be_carried(far, word):
    """The longest tie is 30 m: one and a half times that is 45 m."""
    site = _site(_places(_ring([0, 120, 240], [30, 25, 28])))
    marks = [m if m.name != "X" else Mark("X", 100.0 + far, 100.0, 10.0) for m in site.marks]
    result = solve(simulate(Site(tuple(marks), site.setups), Precision(), np.random.default_rng(0)))
    (geometry,) = setup_geometry(result, mark_ties(result))
    assert (geometry.word, geometry.beyond) == (word, int(word == "weak"))
    assert geometry.longest_tie == pytest.approx(30.0, abs=0.01)  # m
    assert geometry.longest_shot == pytest.approx(far, abs=0.01)


def azimuth_unit(vector):
    """Return the unit vector of a plan vector."""
    bearing = float(azimuth(vector[0], vector[1]))
    return np.array([np.cos(bearing), np.sin(bearing)])


def test_work_carried_beyond_the_marks_is_weak():
    """Well-spread marks within 30 m and a shot at 80 m: the shot is counted."""
    places = {"A": (25, 0), "B": (-10, 20), "C": (-15, -20)}
    site = _site(places)
    far = Mark("FAR", 180.0, 100.0, 10.0)
    plan = replace(site.setups[0], aims=(*site.setups[0].aims, Aim("FAR")))
    site = Site((*site.marks, far), (plan,))
    result = solve(simulate(site, Precision(), np.random.default_rng(0)))
    (geometry,) = setup_geometry(result, mark_ties(result))
    assert (geometry.word, geometry.beyond) == ("weak", 1)
    assert "beyond 1.5 times" in geometry.why


def test_the_number_behind_the_word_is_the_worst_sd_of_a_shot():
    """The largest sd that the pose gives to any shot, against the full covariance of points.

    A side shot's own covariance is that of the pose carried to it plus its own sight's; taking
    a sight of no noise leaves the pose's part.
    """
    rng = np.random.default_rng(6)
    survey = simulate(random_site(rng, setups=3, side_shots=10), Precision(), rng)
    result = solve(survey)
    geometry = setup_geometry(result, mark_ties(result))
    aside = result.aside
    carried = aside.by_setup @ result.setup_covariance[aside.connections.setup]
    carried = carried @ aside.by_setup.transpose(0, 2, 1)
    for s in range(3):
        own = aside.connections.setup == s
        worst = np.sqrt(np.linalg.eigvalsh(carried[own][:, :2, :2])[:, -1]).max()
        assert worst <= geometry[s].sd_plan + 1e-9
        assert abs(geometry[s].sd_height ** 2 - result.setup_covariance[s, 2, 2]) < 1e-15
        inside = result.connections
        seen = [inside.point[(inside.setup == s) & ~inside.plumb], aside.connections.point[own]]
        arms = result.position[np.concatenate(seen), :2] - result.axis[s, :2]
        pose = result.setup_covariance[s][np.ix_([0, 1, 3], [0, 1, 3])]
        sds = []
        for north, east in [*arms, (0.0, 0.0)]:
            lever = np.array([[1.0, 0.0, -east], [0.0, 1.0, north]])
            sds.append(np.sqrt(np.linalg.eigvalsh(lever @ pose @ lever.T)[-1]))
        assert abs(geometry[s].sd_plan - max(sds)) < 1e-12  # m
        assert abs(geometry[s].longest_shot - np.hypot(*arms.T).max()) < 1e-12
        assert geometry[s].sd == max(geometry[s].sd_plan, geometry[s].sd_height)


def test_what_each_setup_checks_and_would_catch():
    """Redundancy of its sights of ties and plumb line; the mistake caught whichever mark it is at.

    Of the tested ties the worst direction of each at 4.13 sds, and the worst tie of them.
    """
    rng = np.random.default_rng(6)
    survey = simulate(random_site(rng, setups=4, kind="mixed", side_shots=4), Precision(), rng)
    result = solve(survey)
    ties = mark_ties(result)
    geometry = setup_geometry(result, ties)
    inside = result.connections
    for s, found in enumerate(geometry):
        own = (inside.setup == s) & (np.isin(inside.point, ties.point) | inside.plumb)
        numbers = result.redundancy[own]
        assert abs(found.redundancy - np.nansum(numbers)) < 1e-12
        assert abs(found.least_redundancy - np.nanmin(numbers)) < 1e-12
        mine = ties.setup == s
        flat = [np.linalg.eigvalsh(c[:2, :2])[-1] for c in ties.covariance[mine]]
        assert abs(found.caught_plan - DELTA * np.sqrt(max(flat))) < 2e-6  # m
        up = ties.covariance[mine][:, 2, 2].max()
        assert abs(found.caught_height - DELTA * np.sqrt(up)) < 2e-6
        assert found.ties == mine.sum()
