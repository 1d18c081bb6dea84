"""How often a target was set up: looks, visits and runs, row by row by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.reduce.books import NAN, shots_of
from tieup.model.fieldbook import Shots
from tieup.model.settings import StandingTargets
from tieup.reduce.target_visits import (
    number_looks,
    number_visits,
    runs_at_marks,
    setup_times,
    shooting_order,
)


def book(order: str, **columns: list[float]) -> Shots:
    """Return shots of one setup at marks named by letters, in the order recorded."""
    rows = [dict(point=ord(letter) - ord("A")) for letter in order]
    for name, values in columns.items():
        rows = [{**row, name: value} for row, value in zip(rows, values, strict=True)]
    return shots_of(rows)


def groups(number: np.ndarray) -> list[list[int]]:
    """Return the rows of each group, by their first row."""
    return sorted(np.flatnonzero(number == one).tolist() for one in np.unique(number))


@pytest.mark.parametrize(
    ("standing", "visits"),
    [
        # A twice, B, A again with another mark between, then B again: every return is a new one
        (StandingTargets(), [[0, 1], [2], [3], [4]]),
        (StandingTargets(in_setups=True), [[0, 1, 3], [2, 4]]),
        (StandingTargets(everywhere=True), [[0, 1, 3], [2, 4]]),
        (StandingTargets(points=frozenset({0})), [[0, 1, 3], [2], [4]]),
        (StandingTargets(points=frozenset({1})), [[0, 1], [2, 4], [3]]),
    ],
    ids=["set up anew", "as long as a setup looks", "all day", "A stands", "B stands"],
)
def test_a_return_is_a_new_visit_unless_the_target_stood(
    standing: StandingTargets, visits: list[list[int]]
) -> None:
    """AABAB: what follows at one mark is one visit, with another mark between it is two."""
    shots = book("AABAB")
    assert groups(number_visits(shots, number_looks(shots), standing)) == visits


def test_visits_are_numbered_by_setup_point_height_target_and_then_time() -> None:
    """Whatever the order of the rows: A's two visits before B's, the second setup's last."""
    rows = [
        dict(setup=1, point=0),
        dict(setup=0, point=0, target_height=1.6),
        dict(setup=0, point=0, target_height=1.5),
        dict(setup=0, point=1, target="b"),
        dict(setup=0, point=0, target_height=1.5),
        dict(setup=0, point=1, target="a"),
    ]
    shots = shots_of(rows)
    visits = number_visits(shots, number_looks(shots), StandingTargets())
    assert visits.tolist() == [5, 2, 0, 4, 1, 3]
    shots = book("AABAB")
    assert number_visits(shots, number_looks(shots), StandingTargets()).tolist() == [0, 0, 2, 1, 3]


@pytest.mark.parametrize(
    ("column", "values", "looks"),
    [
        ("setup", [0, 1, 0], [[0, 2], [1]]),
        ("target_height", [1.5, 1.5, 1.6], [[0, 1], [2]]),
        ("target_height", [1.5, 1.500001, 1.50002], [[0, 1], [2]]),  # m; to 0.01 mm
        ("target", ["mini", "360", "mini"], [[0, 2], [1]]),
        ("face", [1, 2, 1], [[0, 1, 2]]),
        ("round", [1, 2, 3], [[0, 1, 2]]),
    ],
)
def test_a_look_is_a_mark_from_a_setup_at_one_height_with_one_target(
    column: str, values: list[float], looks: list[list[int]]
) -> None:
    """What makes another look of the same mark, and what does not."""
    assert groups(number_looks(book("AAA", **{column: values}))) == looks


@pytest.mark.parametrize("column", ["level", "azimuth"])
def test_horizontal_distances_and_azimuths_are_looks_of_their_own(column: str) -> None:
    """Four shots of one mark, two of them another kind of observation; both kinds make three."""
    plain = book("AAAA")
    shots = replace(plain, **{column: np.array([False, True, False, True])})
    assert groups(number_looks(shots)) == [[0, 2], [1, 3]]
    other = "azimuth" if column == "level" else "level"
    shots = replace(shots, **{other: np.array([False, False, True, False])})
    assert groups(number_looks(shots)) == [[0], [1, 3], [2]]


def test_the_clock_orders_a_setup_where_every_row_has_a_time() -> None:
    """Setup 0 was sorted by name afterwards: by its clock A was left for B between. Setup 1 as is.

    One row of setup 1 has no time: its order is that of the book.
    """
    shots = shots_of(
        [
            dict(setup=0, point=0, time=10.0),
            dict(setup=0, point=0, time=30.0),
            dict(setup=0, point=1, time=20.0),
            dict(setup=1, point=0, time=50.0),
            dict(setup=1, point=0, time=NAN),
            dict(setup=1, point=1, time=40.0),
        ]
    )
    assert shooting_order(shots)[:3].tolist() == [10.0, 30.0, 20.0]
    assert np.argsort(shooting_order(shots)[3:]).tolist() == [0, 1, 2]
    assert groups(runs_at_marks(shots)) == [[0], [1], [2], [3, 4], [5]]


def test_a_copied_row_is_in_no_run_and_parts_none() -> None:
    """A, a copy of another mark's row, A: one run; the copy has the number of none."""
    shots = replace(book("ABA"), repeated=np.array([False, True, False]))
    run = runs_at_marks(shots)
    assert run[0] == run[2] > 0 and run[1] == 0


def test_runs_do_not_go_on_from_setup_to_setup() -> None:
    """The last mark of one setup is the first of the next: two runs, and none of another mark."""
    shots = shots_of([dict(setup=0, point=1), dict(setup=1, point=1), dict(setup=1, point=2)])
    assert groups(runs_at_marks(shots)) == [[0], [1], [2]]


def test_times_of_setups_are_the_means_of_their_shots_or_their_places_in_the_book() -> None:
    """100 and 300 s are 200 s, a setup without shots 0; one row without a time: 0, 1, 2."""
    rows = [dict(setup=0, time=100.0), dict(setup=0, time=300.0), dict(setup=2, time=50.0)]
    assert setup_times(shots_of(rows), 3).tolist() == [200.0, 0.0, 50.0]
    rows[1] = dict(setup=0, time=NAN)
    assert setup_times(shots_of(rows), 3).tolist() == [0.0, 1.0, 2.0]
