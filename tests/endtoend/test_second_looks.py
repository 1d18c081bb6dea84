"""Two looks at every mark: what one setup saw twice alike is no mistake of one sight.

Invented days of two rounds; sizes are far above what the gear explains.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.days import SECOND, Day, World, draw_day
from tests.bench.outcomes import Outcome, reconciled
from tests.bench.spoils import Spoil, lever, spoiled

pytestmark = pytest.mark.slow  # many runs

JOBS = range(8)
ROUNDS = World(looks="rounds")
LARGE = 0.08  # m


def _seen_twice(day: Day) -> tuple[str, int]:
    """Return a mark that two setups saw and none stood over, and the later of them."""
    bays = day.ground.bays
    for name in day.ground.marks:
        seen = [k for k, bay in enumerate(bays) if name in (*bay.marks, bay.station)]
        stood = any(bay.station == name for bay in bays)
        if len(seen) == 2 and not stood and name not in day.control:
            return name, seen[1]
    raise AssertionError("no such mark")


def _kinds(outcome: Outcome) -> list[str]:
    return [found.kind for found in outcome.stops]


@pytest.mark.parametrize("axis", [0, 1])
def test_a_mark_that_moved_between_two_setups_is_named_so(axis: int) -> None:
    """Both looks of one setup find it elsewhere by the same shift, and nothing else is wrong."""
    for job in JOBS:
        day = draw_day(ROUNDS, 4, job)
        name, later = _seen_twice(day)
        moved = reconciled(spoiled(day, Spoil("mark", later, name, (), axis), LARGE))
        assert len(moved.stops) == 1
        found = moved.stops[0]
        causes = {(found.kind, found.points)}
        causes |= {(r.kind, r.points) for r in found.rivals if not r.separable}
        assert ("mark-moved", (name,)) in causes


def test_one_wrong_direction_between_good_ones_is_no_knock() -> None:
    """What was shot before and after it agrees, so the instrument stood still."""
    for job in JOBS:
        day = draw_day(ROUNDS, 4, job)
        rows = [k for k in day.shared() if day.rows[k].bay == 1]
        row = rows[len(rows) - 2]  # the last but one look of the second round
        size = 400 * SECOND * lever(day, day.rows[row])[0]
        spoil = Spoil("reading", 1, day.rows[row].point, (row,), 0)
        assert _kinds(reconciled(spoiled(day, spoil, size))) == ["direction"]


def test_a_wrong_pole_in_a_steep_sight_leaves_its_distance_out() -> None:
    """Nothing else is blamed for what the height does to the distance."""
    steep = 0
    for job in JOBS:
        day = draw_day(ROUNDS, 4, job)
        slope = {k: _slope(day, k) for k in day.shared()}
        row = max(slope, key=lambda k: slope[k])
        steep += slope[row] > 0.1
        visits = tuple(
            k
            for k in day.shared()
            if (day.rows[k].bay, day.rows[k].point) == (day.rows[row].bay, day.rows[row].point)
        )
        spoil = Spoil("pole", day.rows[row].bay, day.rows[row].point, visits, 2)
        outcome = reconciled(spoiled(day, spoil, LARGE))
        assert len(outcome.stops) == 1
        found, label = outcome.stops[0], day.ground.bays[day.rows[row].bay].label
        if (found.kind, found.setup) == ("target-height", label) and slope[row] > 0.1:
            table = outcome.result.observations
            out = table["status"] == "excluded"
            assert {"zenith", "distance"} <= set(np.asarray(table["kind"])[out])
    assert steep > len(JOBS) // 2


def _slope(day: Day, row: int) -> float:
    """Return height difference over distance of a sight."""
    shot = day.rows[row]
    line = day.ground.places[shot.point] - day.ground.bays[shot.bay].axis
    return float(abs(line[2] + shot.booked) / np.linalg.norm(line))
