"""Stored coordinates against reconciled ones: planted shifts, turns and strays come back."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.derive.stored_coordinates import (
    CANNOT_TELL,
    MOVED,
    SAME,
    FieldComparison,
    Stored,
    compare_field,
    compass,
)
from tieup.geometry import ARC_SECOND
from tieup.model.arrays import FloatArray
from tieup.model.settings import Tolerances

LIMITS = Tolerances(horizontal=0.006, elevation=0.003)
AXIS = np.array([[50.0, 50.0, 11.5], [80.0, 20.0, 11.5]])
NAN = float("nan")


def marks(seed: int, count: int = 30) -> FloatArray:
    """Return places around two setups, m."""
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(0.0, 100.0, (count, 2)), rng.uniform(9.0, 11.0, count)])


def turned(plan: FloatArray, centre: FloatArray, turn: float) -> FloatArray:
    """Turn plan places clockwise about a centre, by complex numbers: N + iE times e^(i turn)."""
    z = (plan - centre) @ np.array([1.0, 1j]) * np.exp(1j * turn)
    return np.asarray(centre + np.column_stack([z.real, z.imag]))


def compared(
    place: FloatArray, kept: FloatArray, *, sd: float = 0.0005, own_frame: bool = False
) -> FieldComparison:
    """Compare rows of which the first half is of setup 0, the rest of setup 1."""
    count = len(place)
    setup = (np.arange(count) >= count // 2).astype(np.int64)
    found = compare_field(
        Stored(setup, np.arange(count), kept),
        place,
        np.tile(np.eye(3) * sd**2, (count, 1, 1)),
        AXIS,
        tolerances=LIMITS,
        confidence=0.95,
        own_frame=own_frame,
    )
    assert found is not None
    return found


def test_nothing_stored_is_nothing_to_compare() -> None:
    """Rows without stored coordinates, or whose point has no place, take no part."""
    place = marks(1, 4)
    setup = np.zeros(4, dtype=np.int64)
    lost = np.where(np.arange(4)[:, None] < 2, NAN, place)
    kept = np.where(np.arange(4)[:, None] < 2, place, NAN)
    found = compare_field(
        Stored(setup, np.arange(4), kept),
        lost,
        np.zeros((4, 3, 3)),
        AXIS,
        tolerances=LIMITS,
        confidence=0.95,
        own_frame=False,
    )
    assert found is None


def test_a_shifted_setup_is_one_cause() -> None:
    """12 mm north and 8 mm high of setup 1 come back to 0.1 mm; setup 0 stayed, nobody strays."""
    place = marks(2)
    kept = place.copy()
    kept[15:] += [0.012, 0.0, 0.008]
    found = compared(place, kept)
    assert found.frames[1].shift == pytest.approx([0.012, 0.0, 0.008], abs=1e-9)  # m
    assert found.frames[1].turn == 0.0
    assert found.frames[0].shift == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert found.verdict.tolist() == [SAME] * 15 + [MOVED] * 15
    assert found.shared_verdict.tolist() == [SAME] * 15 + [MOVED] * 15
    assert found.follows.all()
    assert found.plan[20] == pytest.approx(0.012, abs=1e-9)


@pytest.mark.parametrize("turn", [40.0 * ARC_SECOND, -40.0 * ARC_SECOND, np.radians(90.0), 2.5])
def test_a_wrong_backsight_is_a_turn_about_the_instrument(turn: float) -> None:
    """Turned stored coordinates give the turn, clockwise positive, and no shift."""
    place = marks(3)
    rng = np.random.default_rng(4)
    kept = place + rng.normal(0.0, 0.0005, place.shape)
    kept[15:, :2] = turned(kept[15:, :2], AXIS[1, :2], turn)
    found = compared(place, kept)
    assert found.frames[1].turn == pytest.approx(turn, abs=3.0 * ARC_SECOND)
    assert found.frames[1].shift[:2] == pytest.approx([0.0, 0.0], abs=0.0008)  # m
    assert found.frames[0].turn == 0.0
    far = int(np.argmax(np.hypot(*(place[15:, :2] - AXIS[1, :2]).T)))
    away = np.hypot(*(place[15 + far, :2] - AXIS[1, :2]))
    expected = 2.0 * away * abs(np.sin(turn / 2.0))
    assert np.hypot(*found.shared[15 + far, :2]) == pytest.approx(expected, abs=0.001)  # m


def test_stray_points_do_not_pass_for_a_moved_frame() -> None:
    """Three points typed or averaged away from their setup are named; the frame stays."""
    place = marks(5)
    kept = place + np.random.default_rng(6).normal(0.0, 0.0004, place.shape)
    kept[16, 1] += 0.4
    kept[17, :2] += [0.02, -0.02]
    kept[18, 2] = 10.5
    found = compared(place, kept)
    assert np.flatnonzero(~found.follows).tolist() == [16, 17, 18]
    assert (found.verdict[[16, 17, 18]] == MOVED).all()
    assert set(found.shared_verdict.tolist()) == {SAME}
    assert found.frames[1].shift == pytest.approx([0.0, 0.0, 0.0], abs=0.0006)  # m


def test_strays_are_told_from_a_frame_that_moved_too() -> None:
    """A setup 20 mm east with one point 50 mm farther: the frame moved, the point more."""
    place = marks(7)
    kept = place.copy()
    kept[15:, 1] += 0.020
    kept[20, 1] += 0.050
    found = compared(place, kept)
    assert found.frames[1].shift[:2] == pytest.approx([0.0, 0.020], abs=1e-6)  # m
    assert np.flatnonzero(~found.follows).tolist() == [20]


def test_a_verdict_needs_the_gear_to_tell() -> None:
    """One-sided at 95 %, 1.645 sds (normal table): with 2 mm sd 9.4 mm is surely beyond 6 mm."""
    place = marks(8, 8)
    kept = place.copy()
    kept[:, 0] += [0.0094, 0.0092, 0.0028, 0.0026, 0.0, 0.0, 0.0, 0.0]
    kept[:, 2] = NAN
    verdicts = compared(place, kept, sd=0.002).verdict.tolist()
    assert verdicts[:4] == [MOVED, CANNOT_TELL, CANNOT_TELL, SAME]


def test_the_rate_of_false_alarms_is_what_the_confidence_says() -> None:
    """A point stored exactly at the limit is called moved in 5 % of 40,000 draws, +- 0.4 %."""
    count = 40_000
    place = np.zeros((count, 3)) + np.random.default_rng(9).normal(0.0, 0.001, (count, 3))
    kept = np.tile([NAN, NAN, LIMITS.elevation], (count, 1))
    found = compared(place, kept, sd=0.001)
    assert (found.verdict == MOVED).mean() == pytest.approx(0.05, abs=0.004)
    # Exactly as seldom is such a point called the same.
    assert (found.verdict == SAME).mean() == pytest.approx(0.05, abs=0.004)


def test_in_a_frame_of_its_own_the_site_is_laid_on_the_stored_coordinates_first() -> None:
    """A free job in a local frame, kilometres away and turned: only setups against others show."""
    place = marks(10)
    kept = place.copy()
    kept[15:, 2] += 0.010
    kept[:, :2] = turned(kept[:, :2], np.zeros(2), 1.0)
    kept[:, :2] += [4e3, -9e3]
    kept[:, 2] += 250.0
    found = compared(place, kept, own_frame=True)
    assert found.as_a_whole
    assert np.abs(found.plan).max() < 1e-6  # m
    steps = found.frames[1].shift[2] - found.frames[0].shift[2]
    assert steps == pytest.approx(0.010, abs=1e-9)


def test_few_points_tell_a_shift_and_no_turn() -> None:
    """Two points of a setup are shifted by the median, whatever they would say of a turn."""
    place = marks(11, 4)
    kept = place.copy()
    kept[2:, 0] += [0.010, 0.014]
    frame = compared(place, kept).frames[1]
    assert frame.turn == 0.0
    assert frame.shift[0] == pytest.approx(0.012, abs=1e-9)


def test_the_eight_winds() -> None:
    """Azimuths every 45 degrees; 22 degrees are still north, 23 are north-east."""
    names = [compass(np.array([np.cos(a), np.sin(a)])) for a in np.radians(np.arange(0, 360, 45))]
    assert names == [
        "north", "north-east", "east", "south-east",
        "south", "south-west", "west", "north-west",
    ]  # fmt: skip
    near = [compass(np.array([np.cos(a), np.sin(a)])) for a in np.radians([22.0, 23.0, 338.0])]
    assert near == ["north", "north-east", "north"]
