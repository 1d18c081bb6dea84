"""Traverses of azimuths and distances: printed examples, and legs laid out by hand."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.published.test_curvature_and_traverse import MAHUN_LINK, MAHUN_LOOP, PURDUE
from tieup.model.observations import Sights
from tieup.ties.traverse_closures import Traverse, find_traverses

NAN = float("nan")
Row = tuple[int, int, float, float, float]  # from, to, azimuth (rad), zenith (rad), distance (m)


def sights_of(rows: list[Row], **more: np.ndarray) -> Sights:
    """Return azimuths with distances; without a zenith angle these are horizontal."""
    start, end, azimuth, zenith, distance = (np.array(c) for c in zip(*rows, strict=True))
    value = np.column_stack([azimuth, zenith, distance]).astype(float)
    count = len(rows)
    columns = dict(
        setup=start,
        point=end,
        target_height=np.zeros(count),
        value=value,
        count=np.ones((count, 3), dtype=np.int64),
        pointing_sd=np.ones((count, 3)),
        common_sd=np.zeros((count, 3)),
        level=np.isnan(zenith),
        azimuth=np.ones(count, dtype=bool),
    )
    return Sights(**{**columns, **more})


def walks(
    sights: Sights,
    control: dict[int, tuple[float, float]] | None = None,
    station: list[int] | None = None,
    refraction: float = 0.0,
) -> list[Traverse]:
    """Return the traverses; setup n stands over mark n unless told otherwise."""
    marks = int(max(sights.setup.max(), sights.point.max())) + 1
    known = np.full((marks, 2), NAN)
    for mark, place in (control or {}).items():
        known[mark] = place
    over = np.arange(marks) if station is None else np.array(station)
    return list(find_traverses(sights, over, known, refraction))


def legs(azimuths: list[float], lengths: list[float], closed: bool) -> list[Row]:
    """Return the legs from mark to mark in their order, the last one back to the first."""
    count = len(lengths)
    ends = [(n + 1) % count if closed else n + 1 for n in range(count)]
    return [(n, ends[n], azimuths[n], NAN, lengths[n]) for n in range(count)]


@pytest.mark.parametrize(
    ("printed", "tolerance"), [(PURDUE, 0.0101), (MAHUN_LOOP, 0.0011)], ids=["Purdue", "Mahun"]
)
def test_printed_loops_misclose_as_printed(printed, tolerance: float) -> None:
    """Sums of latitudes and departures, begun and ended at the mark that was named first."""
    azimuths, lengths, sums = printed
    (walk,) = walks(sights_of(legs(azimuths, lengths, closed=True)))
    np.testing.assert_allclose(walk.misclosure, sums, rtol=0, atol=tolerance)
    assert walk.points == (*range(len(lengths)), 0) and not walk.held
    assert walk.length == pytest.approx(sum(lengths))
    assert walk.linear == pytest.approx(np.hypot(*walk.misclosure))


def test_a_printed_link_is_held_against_the_marks_at_its_ends() -> None:
    """The coordinates of its end 0.10 m north and 0.05 m west of where the printed legs lead."""
    azimuths, lengths, sums = MAHUN_LINK
    control = {0: (1391.0, 7000.0), 3: (1391.0 + sums[0] + 0.10, 7000.0 + sums[1] - 0.05)}
    (walk,) = walks(sights_of(legs(azimuths, lengths, closed=False)), control)
    np.testing.assert_allclose(walk.misclosure, [-0.10, 0.05], rtol=0, atol=0.0011)
    assert walk.points == (0, 1, 2, 3) and walk.held
    assert walk.length == pytest.approx(sum(lengths))
    assert walks(sights_of(legs(azimuths, lengths, closed=False)), {0: control[0]}) == []


# A square of 100 m: north, east, south, and 0.2 m too long back west.
SQUARE: list[Row] = [
    (0, 1, 0.0, NAN, 100.0),
    (1, 2, np.pi / 2, NAN, 100.0),
    (2, 3, np.pi, NAN, 100.0),
    (3, 0, 3 * np.pi / 2, NAN, 100.2),
]


def turned(row: Row) -> Row:
    """Return a leg as observed from its other end."""
    start, end, azimuth, zenith, distance = row
    return end, start, azimuth + np.pi, zenith, distance


@pytest.mark.parametrize("back", [(), (0,), (1, 2), (0, 1, 3), (0, 1, 2, 3)])
def test_a_loop_is_walked_in_the_sense_in_which_most_legs_were_observed(
    back: tuple[int, ...],
) -> None:
    """Some legs were observed the other way: it ends 0.2 m west, or walked back 0.2 m east."""
    rows = [turned(row) if n in back else row for n, row in enumerate(SQUARE)]
    (walk,) = walks(sights_of(rows))
    steps, observed = list(pairwise(walk.points)), {row[:2] for row in rows}
    assert len(steps) == 4 and sum(step in observed for step in steps) >= 2
    east = -0.2 if (0, 1) in steps else 0.2
    np.testing.assert_allclose(walk.misclosure, [0.0, east], rtol=0, atol=1e-9)  # m
    assert walk.length == pytest.approx(400.2)


def test_a_leg_is_the_mean_of_what_was_observed_of_it_from_either_end() -> None:
    """Back west 100.2 and 100.4 m from one end and 99.7 from the other: 100.1, 0.1 m too long."""
    rows = [*SQUARE, (3, 0, 3 * np.pi / 2, NAN, 100.4), (0, 3, np.pi / 2, NAN, 99.7)]
    (walk,) = walks(sights_of(rows))
    np.testing.assert_allclose(np.abs(walk.misclosure), [0.0, 0.1], rtol=0, atol=1e-9)
    assert walk.length == pytest.approx(400.1)


def test_what_is_no_leg_takes_no_part() -> None:
    """A free station, a circle reading, a sight without distance or azimuth, or of its own mark."""
    spoilt = [(n, m, a + 0.5, z, d + 50.0) for n, m, a, z, d in SQUARE]
    rows = [*SQUARE, (4, 1, 1.0, NAN, 70.0), spoilt[0], (1, 2, 0.3, NAN, NAN),
            (2, 3, NAN, NAN, 90.0), (3, 3, 1.0, NAN, 5.0)]  # fmt: skip
    read = np.ones(len(rows), dtype=bool)
    read[5] = False
    sights = sights_of(rows, azimuth=read)
    (walk,) = walks(sights, station=[0, 1, 2, 3, -1])
    np.testing.assert_allclose(np.abs(walk.misclosure), [0.0, 0.2], rtol=0, atol=1e-9)
    assert walk.length == pytest.approx(400.2)


def test_slope_distances_are_reduced_and_bent() -> None:
    """At 60 degrees from the zenith 200 m are 173.2 m; at 90 degrees 8 km fall short by 0.1 mm.

    The earth curves the plumb line by 8 km / 6371 km over the line and refraction takes 0.13 of it
    off: the sight rises by half of the rest, and leans out of the level by it.
    """
    slopes = [(n, m, a, np.radians(60.0), 2.0 * d / 3**0.5) for n, m, a, _, d in SQUARE]
    (walk,) = walks(sights_of(slopes))
    np.testing.assert_allclose(np.abs(walk.misclosure), [0.0, 0.2], rtol=0, atol=1e-4)
    far = [(n, m, a, np.pi / 2, 80.0 * d) for n, m, a, _, d in SQUARE]
    for refraction in (0.0, 0.13):
        (walk,) = walks(sights_of(far), refraction=refraction)
        lean = (1.0 - refraction) * 8000.0 / (2 * 6371000.0)
        assert 80.0 * 400.2 - walk.length == pytest.approx(32016.0 * lean**2 / 2, rel=0.02)
    level = sights_of(far, level=np.ones(4, dtype=bool))
    (walk,) = walks(level, refraction=0.13)
    assert walk.length == pytest.approx(80.0 * 400.2, abs=1e-9)  # as it says it is horizontal


def test_loops_begin_at_a_known_mark_and_links_run_between_two() -> None:
    """Marks 2 and 3 are known 99.9 m apart: one loop round, and one way from one to the other."""
    loop, link = sorted(
        walks(sights_of(SQUARE), {2: (100.0, 100.0), 3: (0.1, 100.0)}), key=lambda w: w.held
    )
    assert loop.points[0] == loop.points[-1] == 2 and not loop.held
    np.testing.assert_allclose(np.abs(loop.misclosure), [0.0, 0.2], rtol=0, atol=1e-9)
    assert link.held and link.points == (2, 3)
    np.testing.assert_allclose(link.misclosure, [-0.1, 0.0], rtol=0, atol=1e-9)
    assert link.length == pytest.approx(100.0)
    apart = walks(sights_of(SQUARE), {1: (100.0, 0.0)})
    assert [w.points[0] for w in apart] == [1]
