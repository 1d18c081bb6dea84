"""The surveyor's check of faces and rounds: pairs, sets, residuals, rejected sets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.reduce.books import ARC_SECOND, dms, gear, setups_of, shots_of
from tests.reduce.test_faces import both_faces
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.model.settings import SetLimits
from tieup.reduce.rounds import RoundReport, report_rounds
from tieup.reduce.sights import reduce_shots


def report(rows: list[dict[str, object]], limits: SetLimits | None = None) -> RoundReport:
    shots = shots_of(rows)
    setups = setups_of(int(shots.setup.max()) + 1)
    use = np.ones((len(shots), 3), dtype=bool)
    reduction = reduce_shots(shots, setups, gear(), use)
    return report_rounds(shots, reduction, len(setups), limits)


def test_pairs_of_the_page_have_their_2c_and_2i() -> None:
    """16, 16, 16 and -20, -20, -20 seconds (the page worked by hand in test_faces)."""
    found = report(both_faces())
    np.testing.assert_allclose(found.pairs.two_c / ARC_SECOND, [16.0] * 3, rtol=0, atol=1e-6)
    np.testing.assert_allclose(found.pairs.two_i / ARC_SECOND, [-20.0] * 3, rtol=0, atol=1e-6)
    assert found.of_setups.count.tolist() == [[3, 3]]
    np.testing.assert_allclose(found.of_setups.spread, [[0.0, 0.0]], rtol=0, atol=1e-9)
    assert found.pairs.direct.tolist() == [0, 2, 4]
    assert found.pairs.reverse.tolist() == [1, 3, 5]


def test_the_spread_of_2c_is_largest_less_smallest() -> None:
    """2c of 4, 10 and 7 seconds spread over 6; a steep target counts with its sine."""
    rows = []
    for point, two_c in enumerate((4.0, 10.0, 7.0)):
        z = dms(60) if point == 1 else dms(90)
        apart = two_c * ARC_SECOND / np.sin(z)
        rows += [
            dict(point=point, direction=dms(40 * point), zenith=z, distance=20.0),
            dict(
                point=point,
                face=2,
                direction=dms(40 * point + 180) + apart,
                zenith=2 * np.pi - z,
                distance=20.001,
            ),
        ]
    found = report(rows)
    np.testing.assert_allclose(found.pairs.two_c / ARC_SECOND, [4, 10, 7], rtol=0, atol=1e-6)
    assert found.of_setups.spread[0, 0] / ARC_SECOND == pytest.approx(6.0, abs=1e-6)
    assert found.of_setups.mean[0, 0] / ARC_SECOND == pytest.approx(7.0, abs=1e-6)
    np.testing.assert_allclose(found.pairs.distance, 0.001, rtol=0, atol=1e-9)  # m


def test_repeated_pointings_pair_in_order_and_a_lone_face_has_no_pair() -> None:
    """First with first, second with second, of one round; the third face 1 stays alone."""
    one = dict(direction=dms(10), zenith=dms(90))
    two = dict(direction=dms(190), zenith=dms(270), face=2)
    found = report([one, two, dict(one, round=2), one, two, one])
    assert list(zip(found.pairs.direct, found.pairs.reverse, strict=True)) == [(0, 1), (3, 4)]


def in_field_order(order: str) -> list[tuple[int, int]]:
    """Return the pairs of a setup whose pointings are named in order: A in face 1, a in face 2."""
    rows = [
        dict(
            point=ord(letter.upper()) - ord("A"),
            face=1 + letter.islower(),
            direction=dms(10 + 180 * letter.islower()),
            zenith=dms(270 if letter.islower() else 90),
        )
        for letter in order
    ]
    pairs = report(rows).pairs
    return sorted(zip(pairs.direct.tolist(), pairs.reverse.tolist(), strict=True))


@pytest.mark.parametrize(
    ("order", "pairs"),
    [
        # all marks in face 1, then backwards in face 2: the usual order of a set
        ("ABCcba", [(0, 5), (1, 4), (2, 3)]),
        # the same order of marks in both faces
        ("ABCabc", [(0, 3), (1, 4), (2, 5)]),
        # two sets without a round column
        ("ABbaABba", [(0, 3), (1, 2), (4, 7), (5, 6)]),
        # the faces of the second set the other way round
        ("AabBbA", [(0, 1), (3, 2)]),
        # opened in face 1 alone, closed in both: the closing look is the pair
        ("ABCDAa", [(4, 5)]),
        # closed in face 2 alone after a full opening
        ("AaBa", [(0, 1)]),
        ("aBA", [(2, 0)]),
        ("ABC", []),
    ],
)
def test_faces_pair_in_any_field_order(order: str, pairs: list[tuple[int, int]]) -> None:
    """Setup, round and point make a pair, whatever was pointed in between (ISO 17123-3 sets)."""
    assert in_field_order(order) == pairs


def test_a_reading_left_out_makes_no_pair() -> None:
    """The direction of face 2 is left out: no 2c, and 2i as it was."""
    rows = both_faces()
    shots, use = shots_of(rows), np.ones((len(rows), 3), dtype=bool)
    use[1, DIRECTION] = False
    reduction = reduce_shots(shots, setups_of(1), gear(), use)
    found = report_rounds(shots, reduction, 1, None)
    assert np.isnan(found.pairs.two_c).tolist() == [True, False, False]
    np.testing.assert_allclose(found.pairs.two_i / ARC_SECOND, [-20.0] * 3, rtol=0, atol=1e-6)
    assert found.of_setups.count.tolist() == [[2, 3]]


def rounds(away: list[list[float]]) -> list[dict[str, object]]:
    """Return single-face rows: arc seconds off, by round and target."""
    return [
        dict(
            point=point,
            round=number + 1,
            direction=dms(60 * point) + seconds * ARC_SECOND,
            zenith=dms(90) + seconds * ARC_SECOND,
            distance=30.0 + seconds / 1000.0,
        )
        for number, row in enumerate(away)
        for point, seconds in enumerate(row)
    ]


def test_sd_of_a_set_as_worked_by_hand() -> None:
    """Three sets of two targets: readings 0 2 / 1 5 / 2 2 seconds off.

    Directions: d = mean - reading = (1, 1) (0, -2) (-1, 1); sets' own zeros 1, -1, 0; residuals
    (0, 0) (1, -1) (-1, 1); s^2 = 4 / (2 x 1) = 2. Zeniths: sum of squares 1+1+0+4+1+1 = 8 over
    2 x 2 = 4, s^2 = 2.
    """
    found = report(rounds([[0, 2], [1, 5], [2, 2]]))
    np.testing.assert_allclose(
        found.sets.residual[:, ZENITH].reshape(2, 3) / ARC_SECOND,
        [[1, 0, -1], [1, -2, 1]],
        rtol=0,
        atol=1e-6,
    )
    assert found.set_sd[0, DIRECTION] / ARC_SECOND == pytest.approx(2.0**0.5, abs=1e-6)
    assert found.set_sd[0, ZENITH] / ARC_SECOND == pytest.approx(2.0**0.5, abs=1e-6)
    assert found.set_sd[0, DISTANCE] == pytest.approx(2.0**0.5 / 1000.0, abs=1e-9)  # m


LIMITS = SetLimits(10 * ARC_SECOND, 10 * ARC_SECOND, 1.0)


def test_a_set_beyond_the_limit_is_rejected_and_the_others_make_the_mean() -> None:
    """40" among 0" is out; the residuals of the rest are those of their own mean."""
    found = report(rounds([[0, 0], [40, 0], [2, 0]]), LIMITS)
    assert found.sets.rejected[:, ZENITH].tolist() == [False, True, False, False, False, False]
    assert found.sets.residual[0, ZENITH] / ARC_SECOND == pytest.approx(1.0, abs=1e-6)
    rows = np.flatnonzero(found.rejected_rows[:, ZENITH])
    assert rows.tolist() == [2]  # point 0, round 2
    assert not found.rejected_rows[:, DISTANCE].any()


def test_of_two_sets_none_is_rejected() -> None:
    """Two sets 40" apart: nothing tells which is wrong."""
    assert not report(rounds([[0, 0], [40, 0]]), LIMITS).sets.rejected.any()


def test_without_limits_nothing_is_rejected() -> None:
    """Limits are the job's own."""
    assert not report(rounds([[0, 0], [4000, 0], [0, 0]])).sets.rejected.any()


def test_a_short_sight_is_not_asked_for_what_its_target_cannot_give() -> None:
    """1.5 mm at the target is 10.3" at 30 m and 62" at 5 m: 40" pass there."""
    limits = SetLimits(10 * ARC_SECOND, 10 * ARC_SECOND, 1.0, offset=0.0015)
    rows = rounds([[0, 0], [40, 0], [0, 0]])
    near = [{**row, "distance": 5.0} for row in rows]
    assert report(rows, limits).sets.rejected[:, ZENITH].any()
    assert not report(near, limits).sets.rejected[:, ZENITH].any()


def test_the_number_of_pairs_goes_into_the_weights() -> None:
    """Two rounds in two faces: four pointings in the mean, one sd each."""
    shots = shots_of([*both_faces(1), *both_faces(2)])
    use = np.ones((len(shots), 3), dtype=bool)
    found = reduce_shots(shots, setups_of(1), gear(3.0), use)
    assert found.sights.count[:, :2].tolist() == [[4, 4]] * 3
    np.testing.assert_allclose(found.sights.pointing_sd[:, 0] / ARC_SECOND, 3.0, atol=1e-9)


def test_a_job_with_limits_leaves_a_rejected_set_out_and_says_so(tmp_path: Path) -> None:
    """One zenith of twelve 40" off: its row is excluded in that component, with a note."""
    rows = []
    for number in (1, 2, 3):
        for point, turn in enumerate((0, 70, 150, 260)):
            slip = 40.0 / 3600.0 if (number, point) == (2, 1) else 0.0
            rows.append(f"S1,P{point},{turn},{88 + point + slip:.7f},{30 + point},{number}")
    (tmp_path / "raw").mkdir()
    text = "setup,point,direction,zenith,distance,round\n" + "\n".join(rows) + "\n"
    (tmp_path / "raw" / "a.csv").write_text(text, encoding="utf-8")
    job = "units: {angle: deg, length: m}\n"
    (tmp_path / "job.yaml").write_text(job, encoding="utf-8")
    assert not any(f["kind"] == "rejected-set" for f in tieup.reconcile(tmp_path).findings)
    (tmp_path / "job.yaml").write_text(f"{job}set_limits: {{zenith: 10}}\n", encoding="utf-8")
    result = tieup.reconcile(tmp_path)
    (found,) = [f for f in result.findings if f["kind"] == "rejected-set"]
    assert (found["setup"], found["points"], found["lines"]) == ("S1", ["P1"], ["raw/a.csv:7"])
    assert found["size"] == pytest.approx(40.0, abs=0.1)  # arc seconds
    out = result.observations[result.observations.status == "excluded"]
    assert out[["line", "kind"]].to_numpy().tolist() == [[7, "zenith"]]
