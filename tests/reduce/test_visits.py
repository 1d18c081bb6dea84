"""Visits: what follows one another on a mark, with its means, by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.reduce.books import ARC_SECOND, NAN, dms, gear, reduce_rows, shots_of
from tieup.reduce.visits import Visits, find_visits

SECOND = ARC_SECOND


def visits(rows: list[dict[str, Any]]) -> Visits:
    """Return the visits of rows, angles known to 2 seconds, distances to 1 mm."""
    found = reduce_rows(rows, gear(2.0))
    return find_visits(shots_of(rows), found.pointings, found.sights)


def look(point: int, seconds: float = 0.0, **more: Any) -> dict[str, Any]:
    """Return a level pointing of 50 m in face 1, so many seconds from the mark's direction."""
    row = dict(point=point, direction=dms(90 * point) + seconds * SECOND, zenith=dms(90))
    return {**row, "distance": 50.0, **more}


def test_a_visit_ends_where_another_mark_or_setup_is_pointed_at() -> None:
    """A, A, B, A of one setup, A of the next: four visits, the first of two rows."""
    rows = [look(0), look(0), look(1), look(0), look(0, setup=1)]
    found = visits(rows)
    assert found.setup.tolist() == [0, 0, 0, 1] and found.point.tolist() == [0, 1, 0, 0]
    assert found.count.tolist() == [[2, 2, 2], [1, 1, 1], [1, 1, 1], [1, 1, 1]]
    assert found.first_row.tolist() == [0, 2, 3, 4]
    assert len(found) == 4


def test_means_of_a_visit_lie_between_its_readings_and_have_their_sds() -> None:
    """10 seconds west and 4 east of north are 3 west; three of 2" known to 2 / sqrt(3)."""
    rows = [
        look(0, -10.0, zenith=dms(80), distance=50.000, target_height=1.5, time=100.0),
        look(0, 4.0, zenith=dms(80, 0, 6), distance=50.006, target_height=1.5, time=160.0),
        look(0, -3.0, zenith=dms(80), distance=NAN, target_height=1.5, time=NAN),
        look(1, time=300.0),
    ]
    found = visits(rows)
    assert np.sin(found.direction[0]) / SECOND == pytest.approx(-3.0, abs=1e-6)
    assert found.zenith[0] == pytest.approx(dms(80, 0, 2), abs=1e-12)
    assert found.distance[0] == pytest.approx(50.003, abs=1e-12)
    assert found.count[0].tolist() == [3, 3, 2]
    assert found.sd[0, :2] / SECOND == pytest.approx([2.0 / 3**0.5] * 2)
    assert found.sd[0, 2] == pytest.approx(0.001 / 2**0.5)
    ups = [50.0 * np.cos(dms(80)) - 1.5, 50.006 * np.cos(dms(80, 0, 6)) - 1.5]
    assert found.rise[0] == pytest.approx(np.mean(ups), abs=1e-12)  # m
    assert found.time.tolist() == [130.0, 300.0]
    one = visits([look(0, distance=NAN)])
    assert np.isnan([one.distance[0], one.rise[0], one.time[0], one.sd[0, 2]]).all()
    assert one.count[0].tolist() == [1, 1, 0]


def test_the_clock_puts_the_rows_of_a_setup_in_order_where_all_have_a_time() -> None:
    """Sorted by mark in the book, shot A B A: three visits; without one time as in the book."""
    rows = [look(0, time=10.0), look(0, time=30.0), look(1, time=20.0)]
    assert visits(rows).point.tolist() == [0, 1, 0]
    assert visits(rows).first_row.tolist() == [0, 2, 1]
    rows[1]["time"] = NAN
    assert visits(rows).point.tolist() == [0, 1]
    later = [look(0, time=5.0, setup=1), look(1, time=NAN, setup=0), *rows[:1]]
    assert visits(later).setup.tolist() == [0, 0, 1]


def test_readings_that_are_left_out_are_in_no_visit() -> None:
    """A row without a reading makes no visit and parts none."""
    nothing = dict(point=1)
    found = visits([look(0), nothing, look(0)])
    assert found.point.tolist() == [0] and found.count[0].tolist() == [2, 2, 2]
