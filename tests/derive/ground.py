"""Sites to derive points from: a solved yard, and marks placed by hand that nothing moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np

from tests.simulate import simulate
from tests.simulate.yards import fire_station
from tests.ties.jobs import solve
from tieup.adjust.solution import Adjustment
from tieup.derive.points import DerivedPoint, DerivedPoints, Ground, derive_points
from tieup.model.derived import Derived
from tieup.model.settings import Precision

Parts = Mapping[str, Sequence[Sequence[str]]]


@cache
def yard() -> Adjustment:
    """Return the fire-station yard, drawn once and adjusted."""
    rng = np.random.default_rng(20)
    return solve(simulate(fire_station(rng), Precision(), rng))


def ground_of(adjustment: Adjustment, strings: Parts | None = None) -> Ground:
    """Return the marks of a solved site, with strings by the names of their points."""
    names = adjustment.problem.network.point_names
    numbers = {
        string: [[names.index(name) for name in part] for part in parts]
        for string, parts in (strings or {}).items()
    }
    return Ground(names, adjustment.position, np.zeros(3), numbers)


def placed_by_hand(
    places: Mapping[str, tuple[float, float, float]], strings: Parts | None = None
) -> Ground:
    """Return marks at given N, E, H (m), NaN where unknown."""
    names = tuple(places)
    numbers = {
        string: [[names.index(name) for name in part] for part in parts]
        for string, parts in (strings or {}).items()
    }
    position = np.array(list(places.values()), dtype=np.float64)
    return Ground(names, position, np.zeros(3), numbers)


def derive(ground: Ground, *entries: Derived) -> DerivedPoints:
    """Derive from marks placed by hand; the yard lends its factor, of which nothing is used."""
    return derive_points(entries, ground, yard())


def only(points: DerivedPoints) -> DerivedPoint:
    """Return the one derived point."""
    (point,) = points.points
    return point
