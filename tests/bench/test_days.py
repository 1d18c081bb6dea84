"""The invented days: what they measure is what they claim."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest

from tests.bench.days import LOOKS, Day, World, draw_day, without_errors
from tests.bench.outcomes import reconciled

HELD, FREE = 0, 2  # numbers of jobs: every third is free


@pytest.mark.parametrize("looks", LOOKS)
@pytest.mark.parametrize("layout", ["default", "small"])
def test_a_day_without_errors_gives_back_its_places(looks: str, layout: str) -> None:
    """Read without any error, every point comes back within 0.01 mm, held and free."""
    for job in (HELD, FREE):
        day = without_errors(draw_day(World(layout=layout, looks=looks), 1, job))
        off = reconciled(day).errors()
        assert len(off) == len(day.ground.places)
        assert max(np.abs(error).max() for error in off.values()) < 1e-5  # m


@pytest.mark.parametrize("heavy", [False, True])
def test_errors_have_the_sds_that_are_stated(heavy: bool) -> None:
    """Targets scatter by 1 mm in N, E, H, pointings by 3", within 8 % over 20 days of 1.5 times."""
    days = [draw_day(World(heavy=heavy, gear=1.5), 1, job) for job in range(20)]
    rows = [row for day in days for row in day.rows]
    target = np.sqrt(np.mean([row.target**2 for row in rows], axis=0)) / 1.5e-3
    pointing = np.sqrt(np.mean([row.pointing[:2] ** 2 for row in rows], axis=0))
    assert np.allclose(target, 1.0, atol=0.08)
    assert np.allclose(pointing / np.radians(4.5 / 3600.0), 1.0, atol=0.08)


def test_every_mark_is_in_two_setups_and_the_plan_is_kept() -> None:
    """12 to 16 marks of which 4 are control, 5 to 9 in each of 4 setups, each in two or more."""
    for job in range(20):
        ground = draw_day(World(), 1, job).ground
        assert 12 <= len(ground.marks) <= 16
        assert len(ground.control) == 4 == len(ground.bays)
        assert all(5 <= len(bay.marks) <= 9 for bay in ground.bays)
        assert all(8 <= len(bay.side) <= 15 for bay in ground.bays)
        for mark in ground.marks:
            assert sum(mark in (*bay.marks, bay.station) for bay in ground.bays) >= 2


def test_a_target_that_stands_keeps_its_error_and_one_set_up_again_does_not() -> None:
    """Two rounds: one error of a visit where it stood, two where not; tripods: one all day."""
    assert _errors(draw_day(World(looks="rounds", standing=True), 1, HELD), day=False) == {1}
    assert _errors(draw_day(World(looks="rounds"), 1, HELD), day=False) == {2}
    assert _errors(draw_day(World(looks="rounds", tripods=True), 1, HELD), day=True) == {1}
    assert max(_errors(draw_day(World(), 1, HELD), day=True)) > 1


def _errors(drawn: Day, day: bool) -> set[int]:
    """Return how many different errors a mark has, over the day or within one setup."""
    found = defaultdict(set)
    for row in (drawn.rows[k] for k in drawn.shared()):
        found[row.point if day else (row.bay, row.point)].add(tuple(row.target))
    return {len(errors) for errors in found.values()}
