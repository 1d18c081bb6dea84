"""Each injector's size is what the raw rows say minus what is right."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.simulate import ARCSEC, by_hand
from tests.simulate import mistakes as m
from tests.simulate.looking import cells, clean, last, placed


def test_target_height_is_booked_minus_right() -> None:
    """An entry 0.100 m too small (size -0.100) puts the mark 0.100 m too high, plan clean."""
    before = clean()
    rows = before.rows("S1", role="backsight")
    after = m.target_height(before, rows, -0.100)
    for at in last(after).lines:
        shift = placed(after, at) - placed(before, at)
        assert shift == pytest.approx([0.0, 0.0, 0.100], abs=1e-5)  # m
        assert cells(after)[at]["target_height"] == cells(before)[at]["target_height"]
    assert (last(after).size, last(after).unit) == (-0.100, "m")


def test_instrument_height_is_booked_minus_right() -> None:
    """The booked height of the occupied setup grows by the size; no free station has one."""
    before = clean()
    after = m.instrument_height(before, "S2", 0.1)
    old, new = cells(before), cells(after)
    for at in last(after).lines:
        booked = [float(c[at]["instrument_height"]) for c in (old, new)]
        assert booked[1] - booked[0] == pytest.approx(0.1, abs=1e-9)  # m
    with pytest.raises(ValueError, match="free station"):
        m.instrument_height(before, "S1", 0.1)


@pytest.mark.parametrize(
    ("alter", "expected"),
    [
        (lambda s: m.prism_constant(s, "S1", 0.03), lambda d: d + 0.03),
        (lambda s: m.distance_scale(s, "S1", 400.0), lambda d: d * 1.0004),
        (lambda s: m.distance_unit(s, "S1"), lambda d: d / 0.3048),
        (lambda s: m.false_distance(s, s.rows("S1")[:1], -0.2), lambda d: d - 0.2),
    ],
)
def test_distances_change_by_the_size_and_nothing_else_does(alter: Any, expected: Any) -> None:
    """raw = right + constant, right x (1 + ppm), right x ratio."""
    before = clean()
    after = alter(before)
    old, new = cells(before), cells(after)
    for at in last(after).lines:
        right, raw = float(old[at].pop("distance")), float(new[at].pop("distance"))
        assert raw == pytest.approx(expected(right), abs=1e-8)  # m
    assert old == new


def test_prism_constant_touches_one_kind_of_target() -> None:
    """Rows to another kind of target keep their distances."""
    before = clean()
    target = before.shots.target.copy()
    mini = before.rows("S1")[:3]
    target[mini] = "mini"
    before = replace(before, shots=replace(before.shots, target=target))
    after = m.prism_constant(before, "S1", 0.0175, "mini")
    assert last(after).lines == before.lines(mini)


def test_angles_change_by_the_size() -> None:
    """A bump adds its size to directions; collimation and index follow the two-face rules."""
    before = clean()
    first = int(before.rows("S3")[9])
    bumped = m.instrument_turned(before, first, 60.0)
    step = (bumped.shots.direction - before.shots.direction)[before.rows("S3")]
    step = np.mod(step + np.pi, 2 * np.pi) - np.pi
    assert step[:9] == pytest.approx(0.0, abs=0.0)
    assert step[9:] == pytest.approx(60.0 * ARCSEC, abs=1e-12)  # rad
    pair = before.rows("S1")[:2]
    crooked = m.collimation(before, "S1", 40.0).shots.direction[pair]
    split = np.diff(crooked) - np.diff(before.shots.direction[pair])
    zenith = before.shots.zenith[pair[0]]
    split = np.mod(split + np.pi, 2 * np.pi) - np.pi
    assert split == pytest.approx(2 * 40.0 * ARCSEC / np.sin(zenith), abs=1e-8)  # rad
    tilted = m.vertical_index(before, "S1", -20.0).shots.zenith[pair]
    total = tilted.sum() - before.shots.zenith[pair].sum()
    assert total == pytest.approx(2 * -20.0 * ARCSEC, abs=1e-12)  # rad
    low = m.false_zenith(before, pair, 300.0).shots.zenith[pair] - before.shots.zenith[pair]
    assert low == pytest.approx([300.0 * ARCSEC, -300.0 * ARCSEC], abs=1e-12)  # rad
    right = m.false_direction(before, pair, 120.0).shots.direction[pair]
    turned = np.mod(right - before.shots.direction[pair], 2 * np.pi)
    assert turned == pytest.approx(120.0 * ARCSEC, abs=1e-12)  # rad


def test_circle_mistakes_show_the_reading_they_should() -> None:
    """Anticlockwise: 360 - r. Elevation: 90 - z. Packed: the digits DDD.MMSS as degrees."""
    before = clean()
    old, at = cells(before), before.lines(before.rows("S1")[:1])[0]
    direction, zenith = float(old[at]["direction"]), float(old[at]["zenith"])
    mirrored = float(cells(m.mirrored_circle(before, "S1"))[at]["direction"])
    assert mirrored == pytest.approx(360.0 - direction, abs=1e-8)  # deg
    elevation = float(cells(m.elevation_as_zenith(before, "S1"))[at]["zenith"])
    assert elevation == pytest.approx(90.0 - zenith, abs=1e-8)  # deg
    packed = cells(m.packed_as_degrees(before, "S1"))[at]
    for column, right in (("direction", direction), ("zenith", zenith)):
        meant = by_hand.angle(f"{float(packed[column]):.5f}", "dms-packed")
        assert np.degrees(meant) == pytest.approx(right, abs=0.05 / 3600 + 1e-8)  # deg: 0.05"


def test_elevation_angles_of_face_two_lie_beyond_ninety_degrees() -> None:
    """On face 2 the elevation of a near-level sight is near 180 degrees."""
    before = clean()
    reverse = before.rows("S1")[before.shots.face[before.rows("S1")] == 2]
    elevation = np.degrees(m.elevation_as_zenith(before, "S1").shots.zenith[reverse])
    assert np.all(np.abs(elevation) > 170.0)


def test_face_flag_keeps_the_readings() -> None:
    """Only the face cell of the row differs."""
    before = clean()
    after = m.face_flag(before, before.rows("S1")[:1])
    old, new = cells(before), cells(after)
    (at,) = last(after).lines
    assert (old[at].pop("face"), new[at].pop("face")) == ("1", "2")
    assert old == new


def test_settlement_raises_points_by_its_size() -> None:
    """A step: all later points too high by the size. A drift: by the full size at the end."""
    before = clean()
    first = int(before.rows("S1")[6])
    for drift in (False, True):
        after = m.instrument_settled(before, first, 0.005, drift=drift)
        shifts = [placed(after, at) - placed(before, at) for at in last(after).lines]
        assert np.array(shifts)[:, :2] == pytest.approx(0.0, abs=1e-5)  # m
        heights = np.array(shifts)[:, 2]
        assert heights[-1] == pytest.approx(0.005, abs=5e-6)  # m
        steps = np.full(len(heights) - 1, 0.005 / len(heights) if drift else 0.0)
        assert np.diff(heights) == pytest.approx(steps, abs=5e-6)  # m: noise times the step


def test_moved_mark_is_seen_in_its_new_place_from_then_on() -> None:
    """Every later row to the mark shifts by the vector, on the map, from every setup."""
    before = clean(7, kind="free", setups=5)
    seen = {p: [s.label for s in before.setups if len(before.rows(s.label, p))]
            for p in before.points}  # fmt: skip
    mark, setups = next((p, s) for p, s in seen.items() if len(s) > 2)
    after = m.mark_moved(before, mark, setups[1], (0.012, -0.009, 0.004))
    rows = [at for s in setups[1:] for at in before.lines(before.rows(s, mark))]
    assert sorted(last(after).lines) == sorted(rows)
    for at in rows:
        shift = placed(after, at) - placed(before, at)
        assert shift == pytest.approx([0.012, -0.009, 0.004], abs=1e-5)  # m
    assert last(after).size == pytest.approx(np.sqrt(0.012**2 + 0.009**2 + 0.004**2))


def test_instrument_over_a_moved_mark_stands_in_the_new_place() -> None:
    """Its rows see everything shifted the other way."""
    before = clean()
    after = m.mark_moved(before, "ST2", "S2", (0.010, 0.0, 0.0))
    for at in set(last(after).lines) & set(before.lines(before.rows("S2"))):
        shift = placed(after, at) - placed(before, at)
        assert shift == pytest.approx([-0.010, 0.0, 0.0], abs=1e-5)  # m
    assert set(before.lines(before.rows("S2"))) <= set(last(after).lines)


def test_coordinate_typo_has_the_size_it_says() -> None:
    """One component of one mark is off; the record names its line in control.csv."""
    before = clean()
    after = m.coordinate_typo(before, "CP1", 1, 0.9)
    assert before.control and after.control
    step = after.control.coordinates - before.control.coordinates
    row = before.control.names.index("CP1")
    assert step[row] == pytest.approx([0.0, 0.9, 0.0])  # m
    assert not np.delete(step, row, axis=0).any()
    assert last(after).vector == (0.0, 0.9, 0.0)
    assert last(after).lines == (f"control.csv:{row + 2}",)


@pytest.mark.parametrize(("place", "typed"), [(1, 5013.47), (0, 5034.17), (-1, 5031.74)])
def test_transposed_digits(place: int, typed: float) -> None:
    """5031.47 with two neighbouring digits swapped, from the tens down to the hundredths."""
    before = clean()
    assert before.control
    coordinates = before.control.coordinates.copy()
    coordinates[0, 0] = 5031.47
    before = replace(before, control=replace(before.control, coordinates=coordinates))
    assert before.control
    after = m.transposed_digits(before, before.control.names[0], 0, place)
    assert after.control
    assert after.control.coordinates[0, 0] == pytest.approx(typed, abs=1e-9)  # m
    assert last(after).size == pytest.approx(typed - 5031.47, abs=1e-9)  # m


def test_swapped_axes_and_scaled_control() -> None:
    """Columns change places; plan distances between marks grow by the ppm, heights stay."""
    before = clean()
    swapped, scaled = m.swapped_axes(before).control, m.control_scale(before, 400.0).control
    assert before.control and swapped and scaled
    old, new = before.control.coordinates, scaled.coordinates
    assert np.array_equal(swapped.coordinates, old[:, [1, 0, 2]])
    spans = [np.hypot(*(c[0, :2] - c[1, :2])) for c in (old, new)]
    assert spans[1] / spans[0] == pytest.approx(1.0004, abs=1e-9)
    assert np.array_equal(old[:, 2], new[:, 2])
