"""Two faces and rounds: collimation, vertical index, circle turns, and what they cost."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from tests.reduce.books import ARC_SECOND, dms, gear, reduce_draws, reduce_rows
from tieup.model.observations import DIRECTION, ZENITH

# A page of a textbook field book, from memory of its kind, worked by hand: direct and reverse
# circle and zenith readings of three targets; collimation 2c = +16" + ..., index 2i = -20".
PAGE = [  # point, direct circle, reverse circle, direct zenith, reverse zenith
    (0, dms(0, 0, 12), dms(180, 0, 28), dms(90, 0, 0), dms(269, 59, 40)),
    (1, dms(48, 30, 4), dms(228, 30, 20), dms(90, 0, 10), dms(269, 59, 30)),
    (2, dms(301, 15, 50), dms(121, 16, 6), dms(89, 59, 50), dms(269, 59, 50)),
]


def both_faces(round_: int = 1) -> list[dict[str, Any]]:
    """Return the rows of the page."""
    rows = []
    for point, d1, d2, z1, z2 in PAGE:
        rows.append(dict(point=point, direction=d1, zenith=z1, face=1, round=round_))
        rows.append(dict(point=point, direction=d2, zenith=z2, face=2, round=round_))
    return rows


def test_a_page_reduced_by_hand() -> None:
    """Means are those of the page: circle (direct + reverse -+ 180)/2, zenith (360 + z1 - z2)/2.

    2c is 16" on each target and 2i -20", so c = +8", i = -10".
    """
    found = reduce_rows(both_faces())
    means = [dms(0, 0, 20), dms(48, 30, 12), dms(301, 15, 58)]
    zeniths = [dms(90, 0, 10), dms(90, 0, 20), dms(90, 0, 0)]
    np.testing.assert_allclose(found.sights.value[:, DIRECTION], means, rtol=0, atol=1e-12)  # rad
    np.testing.assert_allclose(found.sights.value[:, ZENITH], zeniths, rtol=0, atol=1e-12)  # rad
    errors = {e.kind: e for e in found.axis_errors}
    assert errors["collimation"].value / ARC_SECOND == pytest.approx(8.0, abs=1e-3)
    assert errors["vertical-index"].value / ARC_SECOND == pytest.approx(-10.0, abs=1e-6)
    assert {error.pairs for error in found.axis_errors} == {3}
    # One pair has sd 2" / sqrt(2), three of them 2" / sqrt(6).
    assert errors["vertical-index"].sd / ARC_SECOND == pytest.approx(2.0 / 6.0**0.5, abs=1e-9)


@pytest.mark.parametrize("face", [1, 2])
def test_single_face_shots_take_a_significant_error_from_the_pairs(face: int) -> None:
    """A target of one face gets c / sin z and i: the true angles come back, whichever face."""
    c, i, z = 8 * ARC_SECOND, -10 * ARC_SECOND, dms(70)
    first = dict(direction=dms(100) - c / np.sin(z), zenith=z + i)
    second = dict(direction=dms(280) + c / np.sin(z), zenith=2 * np.pi - (z - i))
    rows = [*both_faces(), dict(point=3, face=face, **(first if face == 1 else second))]
    found = reduce_rows(rows)
    assert found.sights.value[3, DIRECTION] == pytest.approx(dms(100), abs=1e-9)  # rad
    assert found.sights.value[3, ZENITH] == pytest.approx(z, abs=1e-12)  # rad
    sd = 2.0 / 6.0**0.5
    assert found.sights.common_sd[3, ZENITH] / ARC_SECOND == pytest.approx(sd, abs=1e-9)


def test_an_error_within_its_sd_is_left_alone_on_single_faces() -> None:
    """2c of 2" from one pair with sd 1.4" is no collimation: the single face stays as read."""
    rows = [
        dict(point=0, direction=dms(10, 0, 0), zenith=dms(90), face=1),
        dict(point=0, direction=dms(190, 0, 2), zenith=dms(270), face=2),
        dict(point=1, direction=dms(50), zenith=dms(90), face=1),
    ]
    found = reduce_rows(rows)
    assert not found.axis_errors[0].significant
    assert found.sights.value[1, DIRECTION] == pytest.approx(dms(50), abs=1e-15)  # rad
    assert found.sights.value[0, DIRECTION] == pytest.approx(dms(10, 0, 1), abs=1e-12)  # rad


def test_face_2_alone_needs_no_pairs() -> None:
    """Sights of face 2 only are turned over and reduced as they are."""
    found = reduce_rows([dict(direction=dms(280), zenith=dms(300), distance=50.0, face=2)])
    assert found.sights.value[0] == pytest.approx([dms(100), dms(60), 50.0], abs=1e-12)
    assert found.axis_errors == ()


def test_the_zenith_angle_tells_the_face_and_a_wrong_flag_is_reported() -> None:
    """A reading beyond 180 degrees is face 2, whatever was booked."""
    found = reduce_rows(
        [
            dict(direction=dms(280), zenith=dms(300), face=1),
            dict(direction=dms(10), zenith=dms(80), point=1, face=1),
        ]
    )
    assert found.face_conflict.tolist() == [True, False]
    assert found.sights.value[0, DIRECTION] == pytest.approx(dms(100), abs=1e-12)


def test_missing_components_are_reduced_with_what_there_is() -> None:
    """A pair of directions without zeniths, one zenith without a pair, a distance alone."""
    found = reduce_rows(
        [
            dict(direction=dms(10), face=1),
            dict(direction=dms(190, 0, 8), face=2),
            dict(zenith=dms(85), point=1),
            dict(distance=30.0, point=2),
            dict(distance=30.002, point=2, face=2),
        ]
    )
    assert found.sights.count.tolist() == [[2, 0, 0], [0, 1, 0], [0, 0, 2]]
    assert found.sights.value[0, DIRECTION] == pytest.approx(dms(10, 0, 4), abs=1e-12)
    assert found.sights.value[2, 2] == pytest.approx(30.001, abs=1e-12)  # m
    assert np.isnan(found.sights.value[1, [0, 2]]).all()


@pytest.mark.parametrize(
    ("read", "collimation", "taken"),
    [
        ([8, 8, 8, 20], 8.0, 3),  # 6 sds off: out
        ([8, 8, 8, 14], 9.5, 4),  # 3 sds off: in
        ([-4, -1, 5, 8, 13, 16, 26], 9.0, 7),  # all of them scatter: up to 8 sds is usual
        ([12, 4, 12, 4, 12, 4, 12, 38], 60 / 7, 7),  # 2 sds is usual, 13 is not
        ([8, 400], 204.0, 2),  # which of two is wrong nobody knows
    ],
)
def test_a_sight_with_an_outlying_deviation_has_no_say(
    read: list[float], collimation: float, taken: int
) -> None:
    """Collimations (") of level sights, each pointing known to 2": the mean of those that count.

    By hand: out is what lies more than four sds off, or six times the median of all deviations
    where that is more. The mean of n pairs has the sd 2" / sqrt(2 n).
    """
    rows = []
    for point, c in enumerate(read):
        circle = dms(20 * point)
        rows.append(dict(point=point, direction=circle - c * ARC_SECOND, zenith=dms(90)))
        rows.append(
            dict(point=point, direction=circle + np.pi + c * ARC_SECOND, zenith=dms(270), face=2)
        )
    error = next(e for e in reduce_rows(rows).axis_errors if e.kind == "collimation")
    assert error.value / ARC_SECOND == pytest.approx(collimation, abs=1e-6)
    assert error.sd / ARC_SECOND == pytest.approx(2.0 / (2 * taken) ** 0.5, abs=1e-6)


def test_two_sights_that_contradict_each_other_tell_no_axis_error() -> None:
    """100" either way, beside five exact sights of a turned round: neither is believed.

    The turn of the round is told by the five, and the two keep the means of their faces.
    """
    rows = [
        dict(point=point, round=1 + turned, direction=dms(20 * point) + turned * dms(90), zenith=z)
        for turned, point, z in itertools.product((0, 1), range(5), (dms(90),))
    ]
    for point, c in ((5, -100 * ARC_SECOND), (6, 100 * ARC_SECOND)):
        circle = dms(20 * point)
        rows.append(dict(point=point, direction=circle - c, zenith=dms(90)))
        rows.append(dict(point=point, direction=circle + np.pi + c, zenith=dms(270), face=2))
    found = reduce_rows(rows)
    assert [error.kind for error in found.axis_errors] == ["vertical-index"]
    assert found.turns[0].offset == pytest.approx(dms(90), abs=1e-12)  # rad
    circles = [dms(20 * point) for point in range(7)]
    assert found.sights.value[:, DIRECTION] == pytest.approx(circles, abs=1e-12)


def test_faces_of_different_marks_tell_no_axis_error() -> None:
    """One mark in face 1, another in face 2: nothing bears on collimation and index."""
    one = dict(direction=dms(10), zenith=dms(80), distance=20.0)
    two = dict(direction=dms(230), zenith=dms(270), distance=20.0, face=2, point=1)
    found = reduce_rows([one, one, two])
    assert found.axis_errors == () and not found.pointings.leverage.any()
    assert found.sights.value[:, DIRECTION] == pytest.approx([dms(10), dms(50)], abs=1e-12)
    assert found.sights.value[:, ZENITH] == pytest.approx([dms(80), dms(90)], abs=1e-12)
    assert not found.sights.common_sd.any()


def test_an_unbalanced_sight_is_freed_of_the_error_too() -> None:
    """Two pointings in face 1 and one in face 2: the mean is the true angle, not c / 3 off."""
    c = 8 * ARC_SECOND
    rows = [
        *both_faces(),
        dict(point=3, direction=dms(100) - c, zenith=dms(90), face=1),
        dict(point=3, direction=dms(100) - c, zenith=dms(90), face=1),
        dict(point=3, direction=dms(280) + c, zenith=dms(270), face=2),
    ]
    found = reduce_rows(rows)
    assert found.sights.value[3, DIRECTION] == pytest.approx(dms(100), abs=1e-9)  # rad


def test_an_unbalanced_sight_by_itself_is_freed_of_what_it_shows() -> None:
    """One target alone, twice in face 1 and once in face 2: 30" of collimation, 12" of index."""
    c, i = 30 * ARC_SECOND, 12 * ARC_SECOND
    one = dict(direction=dms(40) - c, zenith=dms(90) + i)
    two = dict(direction=dms(220) + c, zenith=dms(270) + i, face=2)
    found = reduce_rows([one, one, two])
    assert found.sights.value[0] == pytest.approx([dms(40), dms(90), np.nan], abs=1e-9, nan_ok=True)
    errors = {error.kind: (error.value / ARC_SECOND, error.pairs) for error in found.axis_errors}
    assert errors == {
        "collimation": (pytest.approx(30.0, abs=1e-6), 1),
        "vertical-index": (pytest.approx(12.0, abs=1e-6), 1),
    }


def test_a_turned_circle_is_recognised_and_a_knock_is_not() -> None:
    """Round 2 turned by 60 degrees comes back to round 1; a turn of 30" stays to be tested."""
    turn = dms(60)
    later = [{**row, "direction": row["direction"] + turn} for row in both_faces(2)]
    found = reduce_rows([*both_faces(), *later])
    assert [(t.setup, t.round, t.points) for t in found.turns] == [(0, 2, 3)]
    assert found.turns[0].offset == pytest.approx(turn, abs=1e-9)
    assert found.sights.count[:, DIRECTION].tolist() == [4, 4, 4]
    knock = [{**row, "direction": row["direction"] + 30 * ARC_SECOND} for row in both_faces(2)]
    assert reduce_rows([*both_faces(), *knock]).turns == ()


def test_a_target_of_a_turned_round_alone_gets_the_turn() -> None:
    """Seen in round 2 only, its direction is in the circle of round 1 all the same."""
    turn = dms(45)
    later = [{**row, "direction": row["direction"] + turn} for row in both_faces(2)]
    extra = dict(point=3, direction=dms(20) + turn, zenith=dms(90), round=2)
    found = reduce_rows([*both_faces(), *later, extra])
    c = found.axis_errors[0].value
    assert found.sights.value[3, DIRECTION] == pytest.approx(dms(20) + c, abs=1e-9)
    assert found.sights.common_sd[3, DIRECTION] > 0.5 * ARC_SECOND  # it owes the turn's sd


def _plan(faces: list[tuple[int, int, int]]) -> list[dict[str, Any]]:
    """Return rows of (point, face, round) with exact readings at zeniths of 60 to 90 degrees."""
    rows = []
    for point, face, round_ in faces:
        z, d = dms(60 + 10 * (point % 4)), dms(20 + 50 * point) + (round_ - 1) * dms(90)
        reading = (d, z) if face == 1 else (d + np.pi, 2 * np.pi - z)
        rows.append(
            dict(point=point, face=face, round=round_, direction=reading[0], zenith=reading[1])
        )
    return rows


PLANS = {
    "pairs": list(itertools.product(range(4), (1, 2), (1,))),
    "unbalanced": [*itertools.product(range(3), (1, 2), (1,)), (0, 1, 1), (1, 1, 1), (3, 1, 1)],
    "three rounds turned": list(itertools.product(range(4), (1, 2), (1, 2, 3))),
    "one face, turned": list(itertools.product(range(5), (1,), (1, 2))),
    "round missing": [*itertools.product(range(4), (1, 2), (1, 2)), (4, 1, 2), (5, 2, 1)],
}


@pytest.mark.parametrize("name", list(PLANS))
def test_what_coefficients_take_and_owe_is_that_of_dense_equations(name: str) -> None:
    """One mean a sight, one axis error, one turn a later round: hat matrix and cofactors by numpy.

    A deviation's redundancy number is 1 - 1/n less its leverage; a mean owes the coefficients what
    it leans on them, directions but for what all of the setup owe alike.
    """
    plan, sd = PLANS[name], 3.0 * ARC_SECOND
    found = reduce_rows(_plan(plan), gear(3.0))
    point, face, round_ = np.array(plan).T
    sights, own = np.unique(point, return_inverse=True)
    of_sight = np.eye(len(sights))[own]
    sign = np.where(face == 1, 1.0, -1.0)
    steep = np.sin(np.radians(60.0 + 10.0 * (point % 4)))
    both = len(set(face.tolist())) > 1
    turns = [(round_ == number).astype(float) for number in range(2, round_.max() + 1)]
    for kind, columns in (
        (DIRECTION, ([sign / steep] if both else []) + turns),
        (ZENITH, [sign] if both else []),
    ):
        if not columns:
            assert not found.pointings.leverage[:, kind].any()
            continue
        more = np.column_stack(columns)
        design = np.column_stack([of_sight, more])
        cofactor = np.linalg.pinv(design.T @ design, rcond=1e-12)
        hat = np.einsum("ri,ij,rj->r", design, cofactor, design)
        count = of_sight.sum(axis=0)[own]
        leverage = hat - 1.0 / count
        np.testing.assert_allclose(found.pointings.leverage[:, kind], leverage, rtol=0, atol=1e-9)
        mean = (of_sight / count[:, None]).T @ more
        if kind == DIRECTION:
            mean = mean - (of_sight @ mean).mean(axis=0)
        part = cofactor[len(sights) :, len(sights) :]
        owed = sd * np.sqrt(np.einsum("si,ij,sj->s", mean, part, mean))
        np.testing.assert_allclose(found.sights.common_sd[:, kind], owed, rtol=0, atol=1e-9 * sd)


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PLANS))
def test_deviations_have_the_variance_that_their_leverage_says(name: str) -> None:
    """Over 3,000 draws var(deviation) = sd^2 (1 - 1/n - h) row by row, to 6 sds of a variance.

    The sum of all redundancy numbers is the rows less the means less what was estimated.
    """
    rng, draws, sd = np.random.default_rng(11), 3000, 3.0 * ARC_SECOND
    rows = _plan(PLANS[name])
    found = reduce_draws(rows, rng.normal(0.0, sd, (draws, len(rows), 2)), 3.0)
    seen = np.concatenate([f.pointings.deviation[:, :2] for f in found]) / sd
    own = found[0].pointings.sight[: len(rows)]
    count = found[0].sights.count[own][:, :2]
    leverage = found[0].pointings.leverage[: len(rows), :2]
    redundancy = np.where(count > 1, 1 - 1 / count - leverage, 0.0)
    variance = seen.reshape(draws, len(rows), 2).var(axis=0)
    sigma = np.maximum(redundancy, 0.01) * (2.0 / draws) ** 0.5
    assert np.all(np.abs(variance - redundancy) < 6.0 * sigma + 1e-6)
    rounds = {r for *_, r in PLANS[name]}
    faces = {f for _, f, _ in PLANS[name]}
    estimated = [(len(faces) > 1) + len(rounds) - 1, len(faces) > 1]
    points = len({p for p, *_ in PLANS[name]})
    expected = [len(rows) - points - n for n in estimated]
    np.testing.assert_allclose(redundancy.sum(axis=0), expected, rtol=0, atol=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["unbalanced", "round missing"])
def test_means_scatter_as_their_sds_say(name: str) -> None:
    """Zenith means: sd^2 / n plus what they owe to the index; instrument off by 40 seconds."""
    rng, draws, sd = np.random.default_rng(5), 2000, 3.0 * ARC_SECOND
    rows, index = _plan(PLANS[name]), 40 * ARC_SECOND
    noise = np.zeros((draws, len(rows), 2))
    noise[:, :, 1] = index + rng.normal(0.0, sd, (draws, len(rows)))
    found = reduce_draws(rows, noise, 3.0)
    means = np.concatenate([f.sights.value[:, ZENITH] for f in found]).reshape(draws, -1)
    first = found[0].sights
    stated = np.sqrt(sd**2 / first.count[:, 1] + first.common_sd[:, 1] ** 2)[: means.shape[1]]
    ratio = means.std(axis=0) / stated
    assert np.all(np.abs(ratio - 1.0) < 6.0 / (2 * draws) ** 0.5)


def test_one_wrong_pointing_does_not_spoil_the_axis_error() -> None:
    """A face-2 direction 5 minutes off leaves the collimation of nine good pairs at 8 seconds."""
    rows = []
    for point in range(10):
        d, c = dms(10 + 30 * point), 8 * ARC_SECOND
        slip = dms(0, 5) if point == 4 else 0.0
        rows += [
            dict(point=point, direction=d - c, zenith=dms(90), face=1),
            dict(point=point, direction=d + np.pi + c + slip, zenith=dms(270), face=2),
        ]
    found = reduce_rows(rows)
    assert found.axis_errors[0].value / ARC_SECOND == pytest.approx(8.0, abs=1e-6)
