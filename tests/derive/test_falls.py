"""Falls: their sds, low spots, and the verdicts of named checks."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from tests.simulate import random_site, simulate
from tests.simulate.yards import fire_station
from tests.ties.jobs import network_of, reduction_of
from tieup.adjust.adjust import adjust
from tieup.adjust.cofactors import point_covariance
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.derive.chainage import chainages
from tieup.derive.fall_checks import CheckedFalls, check_falls
from tieup.derive.legs import Legs, legs_of, pair_covariance
from tieup.derive.measured_falls import Falls, falls_of, low_spots, verdict_of, verdicts
from tieup.derive.placed import PlacedPoint, full_covariance, place_of_mark
from tieup.derive.places import Places
from tieup.linework.site_lines import SiteLine, find_lines
from tieup.model.arrays import FloatArray
from tieup.model.falls import FallCheck
from tieup.model.settings import Precision

MM = 1e-3
NORMAL_95 = 1.6449  # one-sided, table of the normal distribution


def check(
    start: str = "", end: str = "", *, along: str = "", least: float = -np.inf, most: float = np.inf
) -> FallCheck:
    """Return a check with limits in per cent."""
    return FallCheck("check", start, end, along, least / 100, most / 100, "falls 1", {"": 1})


@cache
def yard(free: bool = False) -> tuple[Places, tuple[SiteLine, ...], Legs]:
    """Return the fire-station yard, adjusted: its places, lines and legs."""
    rng = np.random.default_rng(11)
    survey = simulate(fire_station(rng), Precision(), rng)
    network = network_of(survey, reduction_of(survey))
    frame = minimal_frame(network) if free else held_frame(network)
    adjustment = adjust(network, survey.precision, survey.refraction, frame)
    places = Places(adjustment, network.point_names, adjustment.position)
    lost = np.zeros(len(survey.shots), dtype=bool)
    lines = find_lines(survey.shots, lost, adjustment.position[: len(survey.points)])
    return places, lines, legs_of(lines, places)


def one(found: tuple[CheckedFalls, ...]) -> CheckedFalls:
    """Return the only check."""
    (only,) = found
    return only


def test_a_slope_over_five_feet() -> None:
    """Independent heights of sd 3 mm, 5 ft apart: sd of the slope sqrt(2) sd / L = 0.28 %.

    The trade's rule for sd_slope; propagation of variances, Ghilani, Adjustment Computations,
    ch. 6. The same heights shot from one setup share an error of 2.5 mm: sqrt(2 (3^2 - 2.5^2)).
    """
    length, sd, shared = np.array([1.524]), 3 * MM, 2.5 * MM
    for common, expected in ((0.0, 0.2784), (shared, 0.1539)):  # per cent, by hand
        variance = 2.0 * (sd**2 - common**2)
        falls = falls_of(length, np.array([0.010]), np.array([[[0.0, 0.0], [0.0, variance]]]))
        assert 100 * falls.sd[0] == pytest.approx(expected, abs=0.0005)  # per cent
    assert 100 * falls.value[0] == pytest.approx(0.6562, abs=0.0001)


def test_the_sd_of_a_fall_takes_the_length_along() -> None:
    """A steep, short, badly measured leg: the closed formula agrees with drawn ones."""
    rng = np.random.default_rng(3)
    covariance = np.array([[4.0, 1.5], [1.5, 9.0]]) * 1e-4
    drawn = rng.multivariate_normal([5.0, 2.0], covariance, 400_000)
    falls = falls_of(np.array([5.0]), np.array([2.0]), covariance[None])
    assert falls.sd[0] == pytest.approx((drawn[:, 1] / drawn[:, 0]).std(), rel=0.005)


@pytest.mark.parametrize("free", [False, True])
def test_legs_have_the_covariance_of_their_ends(free: bool) -> None:
    """Length and drop from the joint covariance of both ends, by numerical derivatives.

    Held to control and in a minimal frame, inside setups and across joints: the short ways for
    shots that hang on a setup give what the whole covariance gives.
    """
    places, _, legs = yard(free)
    assert len(legs) == 186

    def read(ends: FloatArray) -> FloatArray:
        step = ends[3:] - ends[:3]
        return np.array([np.hypot(step[0], step[1]), -step[2]])

    for i in range(len(legs)):
        ends = np.array([legs.start[i], legs.end[i]])
        joint = point_covariance(places.adjustment, ends).reshape(6, 6)
        at, probe = places.position[ends].reshape(6), 1e-4 * np.eye(6)
        slope = np.array([read(at + p) - read(at - p) for p in probe]).T / 2e-4
        expected = slope @ joint @ slope.T
        assert np.abs(legs.covariance[i] - expected).max() < 1e-6 * expected.max()
        assert read(at) == pytest.approx([legs.length[i], legs.drop[i]], abs=1e-9)  # m


def test_one_setup_alone_has_falls() -> None:
    """A side shot string of a site with a single setup: nothing is shared, nothing is solved."""
    rng = np.random.default_rng(5)
    site = random_site(rng, setups=1, ties=4, control="none", side_shots=6)
    survey = simulate(site, Precision(), rng)
    network = network_of(survey, reduction_of(survey))
    adjustment = adjust(network, survey.precision, survey.refraction, minimal_frame(network))
    lost = np.zeros(len(survey.shots), dtype=bool)
    lines = find_lines(survey.shots, lost, adjustment.position[: len(survey.points)])
    places = Places(adjustment, network.point_names, adjustment.position)
    legs = legs_of(lines, places)
    assert len(legs) == 5
    ends = np.column_stack([legs.start, legs.end])
    joint = [point_covariance(adjustment, pair).reshape(6, 6) for pair in ends]
    up = [c[2, 2] + c[5, 5] - 2 * c[2, 5] for c in joint]
    assert legs.covariance[:, 1, 1] == pytest.approx(up, rel=1e-9)


def test_a_leg_inside_a_setup_is_better_known_than_its_ends() -> None:
    """What both ends share cancels in every leg, and least across a joint.

    Against sds as if the two heights were independent. The trench drain alone passes from one
    setup to the next without a shared point, from 127 to 214.
    """
    places, _, legs = yard()
    own = places.adjustment.point_covariance[:, 2, 2]
    share = np.sqrt(legs.covariance[:, 1, 1] / (own[legs.start] + own[legs.end]))
    assert share.max() < 0.95
    across = int(np.argmax(share))
    ends = {places.names[legs.start[across]], places.names[legs.end[across]]}
    assert ends == {"127", "214"}


def test_chainages_have_the_sds_of_the_whole_part() -> None:
    """The sum of all legs before a point, by the joint covariance of the part: both ways agree."""
    places, lines, _ = yard()
    parts = [part for line in lines for part in line.parts]
    ring = [*parts[3], parts[3][0]]  # SLAB-S closed, on one setup
    along, sds = chainages([*parts, ring], places)
    for part, chainage, sd in zip([*parts, ring], along, sds, strict=True):
        distinct = sorted(set(part))
        joint = point_covariance(places.adjustment, np.array(distinct))
        joint = joint.reshape(3 * len(distinct), -1)
        by_point = np.zeros((len(distinct), 3))
        total = 0.0
        for number, (a, b) in enumerate(pairwise(part), 1):
            step = (places.position[b] - places.position[a])[:2]
            length = np.hypot(*step)
            total += length
            by_point[distinct.index(b), :2] += step / length
            by_point[distinct.index(a), :2] -= step / length
            flat = by_point.reshape(-1)
            assert chainage[number] == pytest.approx(total, abs=1e-9)  # m
            assert sd[number] == pytest.approx(np.sqrt(flat @ joint @ flat), abs=1e-7)  # m


@pytest.mark.parametrize(
    ("fall", "least", "most", "expected"),
    [
        (0.60, 1.0, np.inf, "fail"),
        (0.83, 1.0, np.inf, "fail"),  # 1.70 sd below
        (0.84, 1.0, np.inf, "cannot tell"),  # 1.60 sd below
        (1.16, 1.0, np.inf, "cannot tell"),
        (1.17, 1.0, np.inf, "pass"),
        (2.17, -np.inf, 2.0, "fail"),
        (1.83, -np.inf, 2.0, "pass"),
        (1.50, 1.0, 2.0, "pass"),
        (1.90, 1.0, 2.0, "cannot tell"),
        (1.05, 1.0, 1.1, "cannot tell"),  # the limits are closer than the survey can tell
        (-0.30, -0.5, 0.5, "pass"),
    ],
)
def test_a_fall_is_judged_one_sided_at_the_confidence(
    fall: float, least: float, most: float, expected: str
) -> None:
    """With an sd of 0.10 %, a verdict takes 1.645 sds (normal table, one-sided 5 %)."""
    falls = Falls(np.array([fall / 100]), np.array([0.001]))
    assert verdicts(falls, least / 100, most / 100, 0.95).tolist() == [expected]
    sure = Falls(falls.value, np.array([0.0]))  # both ends are held
    told = "pass" if least <= fall <= most else "fail"
    assert verdicts(sure, least / 100, most / 100, 0.95).tolist() == [told]


def test_the_edge_of_a_verdict_is_the_quantile_of_the_table() -> None:
    """Just below and just above 1.6449 sds."""
    for sds, expected in ((NORMAL_95 - 0.001, "cannot tell"), (NORMAL_95 + 0.001, "fail")):
        falls = Falls(np.array([0.01 - sds * 1e-3]), np.array([1e-3]))
        assert verdicts(falls, 0.01, np.inf, 0.95).tolist() == [expected]


def test_many_legs_fail_as_one_family_and_pass_one_by_one() -> None:
    """2 sds beyond is a failure alone, among twenty it is chance (Holm); 4 sds is one in any."""
    sound = [3.0] * 19
    for sds, expected in (
        ([-2.0], "fail"),
        ([*sound, -2.0], "cannot tell"),
        ([*sound, -4.0], "fail"),
    ):
        falls = Falls(0.01 + np.array(sds) * 1e-3, np.full(len(sds), 1e-3))
        found = verdicts(falls, 0.01, np.inf, 0.95)
        assert (found[-1], verdict_of(found)) == (expected, expected)
        assert set(found[:-1].tolist()) <= {"pass"}
    assert verdict_of(np.array(["pass", "pass"], dtype=object)) == "pass"
    assert verdict_of(np.array([], dtype=object)) == "cannot tell"  # nothing is never a pass


def profile(heights: list[float], *, sd: float = 1.0, closed: bool = False) -> Legs:
    """Return the legs of one line with points 5 m apart at heights in mm, sds of drops in mm."""
    h = np.array([*heights, *heights[: 1 if closed else 0]]) * MM
    count = len(h) - 1
    number = np.arange(count + 1)
    if closed:
        number[-1] = 0
    zeros = np.zeros(count, dtype=np.int64)
    covariance = np.tile(np.diag([1e-6, (sd * MM) ** 2]), (count, 1, 1))
    drop = -np.diff(h)
    return Legs(zeros, zeros, number[:-1], number[1:], np.full(count, 5.0), drop, covariance)


@pytest.mark.parametrize(
    ("heights", "closed", "expected"),
    [
        ([20, 10, 0, 10, 20], False, {2: "low"}),
        ([20, 10, 0, 1, 20], False, {2: "perhaps"}),  # 1 mm with an sd of 1 mm is no rise
        ([20, 0, 20, 0, 20], False, {1: "low", 3: "low"}),
        ([0, 10, 20], False, {}),  # nobody knows what lies beyond an end
        ([20, 10, 0], False, {}),
        ([10, 10, 10], False, {}),
        ([0, 10, 20, 10], True, {0: "low"}),  # a ring goes on at its first point
    ],
)
def test_low_spots_are_lower_than_both_neighbours(
    heights: list[float], closed: bool, expected: dict[int, str]
) -> None:
    """Low where both sides rise by more than chance explains, perhaps where by less."""
    legs = profile([float(h) for h in heights], closed=closed)
    behind, word = low_spots(legs, 0.95)
    found = {int(legs.end[i]): w for i, w in zip(behind, word, strict=True)}
    assert found == expected


def test_low_spots_do_not_run_over_from_one_line_to_the_next() -> None:
    """The last leg of a line falls and the first of the next rises: no low spot between them."""
    down, up = profile([10.0, 0.0]), profile([0.0, 10.0])
    legs = Legs(
        *(
            np.concatenate([getattr(down, name), getattr(up, name) + (name == "line")])
            for name in vars(down)
        )
    )
    assert len(low_spots(legs, 0.95)[0]) == 0


def test_a_check_between_points_is_their_fall() -> None:
    """T5 to T4, by hand from the adjusted places and their joint covariance."""
    places, lines, legs = yard()
    found = one(check_falls([check("T5", "T4", least=-5, most=5)], places, lines, legs, 0.95))
    a, b = (places.names.index(name) for name in ("T5", "T4"))
    step = places.position[b] - places.position[a]
    assert found.falls.value[0] == pytest.approx(-step[2] / np.hypot(*step[:2]), abs=1e-12)
    joint = point_covariance(places.adjustment, np.array([a, b]))
    difference = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
    assert found.covariance[0, 1, 1] == pytest.approx(difference[2, 2], rel=1e-9)
    assert found.verdict == "pass"


def test_a_string_stands_for_its_nearest_place() -> None:
    """T2 lies square off the trench drain: the foot is on the leg that passes it, both ways."""
    places, lines, legs = yard()
    there, back = check_falls(
        [check("T2", "TRENCH", least=0), check("TRENCH", "T2", most=0)], places, lines, legs, 0.95
    )
    (line,) = (line for line in lines if line.name == "TRENCH")
    point = places.position[places.names.index("T2"), :2]
    track = np.linspace(places.position[list(line.parts[0][:-1])],
                        places.position[list(line.parts[0][1:])], 2001)  # fmt: skip
    nearest = np.hypot(*(track.reshape(-1, 3)[:, :2] - point).T).min()
    assert there.length[0] == pytest.approx(nearest, abs=1e-5)  # m
    assert there.falls.value[0] == pytest.approx(-back.falls.value[0], abs=1e-12)
    assert (there.verdict, back.verdict) == ("pass", "pass")
    assert there.ends[0].name.startswith("TRENCH between ")


def test_from_string_to_string_every_point_abreast_is_judged() -> None:
    """The apron joint is longer than the trench drain: its points beside it count, all are told.

    The yard was invented with 1.4 % from the house to the drain.
    """
    places, lines, legs = yard()
    found = one(check_falls([check("JOINT", "TRENCH", least=1.0)], places, lines, legs, 0.95))
    (drain,) = (line for line in lines if line.name == "TRENCH")
    east = places.position[list(drain.parts[0]), 1]
    starts = np.array([start.position[1] for start in found.starts])
    (joint,) = (line for line in lines if line.name == "JOINT")
    assert {start.name for start in found.starts} == {places.names[i] for i in joint.parts[0]}
    beside = (starts > east.min() - 0.01) & (starts < east.max() + 0.01)
    assert found.tested == beside.sum() > 10
    assert (found.parts == "untested").tolist() == (~beside).tolist()
    assert np.isnan(found.falls.value[~beside]).all()
    assert {reason for reason in found.reason if reason} == {"beyond the end of TRENCH at 118"}
    assert np.abs(100 * np.nanmedian(found.falls.value) - 1.4) < 0.02  # per cent
    assert found.verdict == "pass"


def test_strings_that_nowhere_lie_side_by_side_cannot_be_told() -> None:
    """No pair of ends stands in for them."""
    places, lines, legs = yard()
    found = one(check_falls([check("CURB-S", "SUMP", least=-50)], places, lines, legs, 0.95))
    assert (found.verdict, found.reason) == (
        "cannot tell",
        ("no point of CURB-S is square to SUMP",),
    )


def test_along_a_string_what_is_missing_is_told() -> None:
    """A point that lost its elevation and a row that nobody could read: legs without a fall."""
    places, lines, _ = yard()
    number = next(i for i, line in enumerate(lines) if line.name == "SLAB-S")
    a, b, c, d = lines[number].parts[0][:4]
    position = places.position.copy()
    position[b, 2] = np.nan
    bare = replace(places, position=position)
    gaps = replace(lines[number], parts=((c,), (d,)), lost=((a, b), (b, c), (c, d)))
    found = one(
        check_falls([check(along="SLAB-S", least=-50)], bare, [gaps], legs_of([gaps], bare), 0.95)
    )
    assert found.parts.tolist() == ["cannot tell"] * 3
    lacking = f"{places.names[b]} has no elevation"
    assert found.reason == (lacking, lacking, "a row between them could not be read")
    assert np.isnan(found.falls.value).all() and np.isnan(found.covariance).all()


@pytest.mark.parametrize("away", [0.0, 1e-17, 1e-9])
def test_what_has_no_length_has_no_sd_of_one(away: float) -> None:
    """Whether rounding leaves a length or not; the sd of the drop stays."""
    places = yard()[0]
    number = places.names.index("T4")
    start = places.placed(number)
    shifted = replace(start, name="D", position=start.position + np.array([away, 0.0, 0.1]))
    found = pair_covariance(places.adjustment, start, shifted)
    assert np.isnan(found[0, 0])
    assert found[1, 1] == pytest.approx(0.0, abs=1e-12)  # m^2: both hang on the same mark


def test_along_a_string_every_leg_is_judged() -> None:
    """The legs of the slab edge in its order, as its legs are."""
    places, lines, legs = yard()
    found = one(check_falls([check(along="SLAB-S", least=-1)], places, lines, legs, 0.95))
    own = [i for i, line in enumerate(lines) if line.name == "SLAB-S"]
    rows = legs.line == own[0]
    assert found.drop.tolist() == legs.drop[rows].tolist()
    assert np.array_equal(found.covariance, legs.covariance[rows])


def test_a_foot_between_two_points_has_nearly_the_sd_of_the_real_one() -> None:
    """The share of the way counts as known; letting it follow the three points changes little."""
    places, lines, legs = yard()
    found = one(check_falls([check("T2", "TRENCH", least=0)], places, lines, legs, 0.95))
    marks = [places.names.index("T2"), *found.ends[0].marks]
    joint = point_covariance(places.adjustment, np.array(marks)).reshape(9, 9)

    def fall(flat: FloatArray) -> float:
        p, a, b = flat.reshape(3, 3)
        leg = b - a
        foot = a + leg * ((p - a)[:2] @ leg[:2] / (leg[:2] @ leg[:2]))
        return float((p - foot)[2] / np.hypot(*(p - foot)[:2]))

    at, probe = places.position[marks].reshape(9), 1e-4 * np.eye(9)
    slope = np.array([fall(at + p) - fall(at - p) for p in probe]) / 2e-4
    assert found.falls.sd[0] == pytest.approx(np.sqrt(slope @ joint @ slope), rel=0.01)


def test_what_has_no_elevation_or_no_length_cannot_be_told() -> None:
    """With the reason in words; a check that finds nothing never passes."""
    places, lines, legs = yard()
    position = places.position.copy()
    position[places.names.index("T5"), 2] = np.nan
    bare = replace(places, position=position)
    checks = [
        check("T5", "T4", least=-5),
        check("T4", "T4", least=-5),
        check("W1", "CURB-S", least=-5),
        check("GONE", "T4", least=-5),
        check(along="GONE", least=-5),
    ]
    found = check_falls(checks, bare, lines, legs, 0.95)
    assert [one.verdict for one in found] == ["cannot tell"] * 5
    assert [one.reason[0] for one in found] == [
        "T5 has no elevation",
        "T4 and T4 are one place",
        "W1 and W1 are one place",
        "GONE has no place",
        "GONE has no place",
    ]


def test_what_is_not_known_is_said_and_never_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A leg without an sd, and parts that are too many to be solved for."""
    places, lines, legs = yard()
    own = [line.name for line in lines].index("TRENCH")
    poor = replace(legs, covariance=legs.covariance.copy())
    poor.covariance[legs.line == own] = np.nan
    found = one(check_falls([check(along="TRENCH", least=-50)], places, lines, poor, 0.95))
    assert found.verdict == "cannot tell"
    assert {reason for reason in found.reason if reason} == {"its sd is not known"}
    monkeypatch.setattr("tieup.derive.chainage.MOST", 0)
    sds = chainages([part for line in lines for part in line.parts], places)[1]
    whole = {line.name for line, sd in zip(lines, sds, strict=True) if np.isfinite(sd).all()}
    assert whole == {"SLAB-S", "SLAB-N", "SUMP", "SLAB-W"}  # shot from one setup each


def test_derived_points_fall_like_marks() -> None:
    """A point halfway between two marks, as a derived one, has their joint covariance."""
    places = yard()[0]
    a, b = (places.names.index(name) for name in ("T4", "T5"))
    half = np.concatenate([np.eye(3), np.eye(3)], axis=1) / 2
    middle = PlacedPoint(
        "D1", (places.position[a] + places.position[b]) / 2, (a, b), half, np.zeros((3, 3))
    )
    wider = places.with_derived([middle])
    line = SiteLine("D", "D", "", ((places.names.index("T2"), len(places.names)),), (), ())
    found = check_falls(
        [check("T2", "D1", least=-9), check(along="D", least=-9)],
        wider,
        [line],
        legs_of([line], wider),
        0.95,
    )
    start = place_of_mark("T2", line.parts[0][0], places.position[line.parts[0][0]])
    expected = pair_covariance(places.adjustment, start, middle)
    for one_check in found:
        assert np.allclose(one_check.covariance[0], expected, rtol=1e-9, atol=0)
    joint = full_covariance(places.adjustment, [start, middle])
    up = joint[0, 2, 0, 2] + joint[1, 2, 1, 2] - 2 * joint[0, 2, 1, 2]
    assert expected[1, 1] == pytest.approx(up, rel=1e-9)
