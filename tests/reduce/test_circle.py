"""Which rounds were read on a turned circle: each rule from either side, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.reduce.books import ARC_SECOND
from tieup.reduce.circle import CircleTurn, find_turns

DEGREE = 3600.0  # arc seconds


def turns(
    *rounds: dict[str, float], setup: int = 0, start: float = 0.0
) -> list[tuple[int, int, float, int]]:
    """Return setup, round, turn (arc seconds) and number of points of every turned round.

    Each round is given as arc seconds by point: how far a reading lies beyond the first round's.
    """
    rows = [
        (setup, ord(name) - ord("A"), number, start + 25.0 * DEGREE * (ord(name) - ord("A")) + off)
        for number, read in enumerate(rounds, start=1)
        for name, off in read.items()
    ]
    return told(rows)


def told(rows: list[tuple[int, int, int, float]]) -> list[tuple[int, int, float, int]]:
    """Return the turns of rows of setup, point, round and reading (arc seconds)."""
    s, p, r, d = (np.array(column) for column in zip(*rows, strict=True))
    found: tuple[CircleTurn, ...] = find_turns(s, p, r, np.mod(d * ARC_SECOND, 2 * np.pi))
    return [(t.setup, t.round, round(t.offset / ARC_SECOND, 3), t.points) for t in found]


FIRST = {"A": 0.0, "B": 0.0, "C": 0.0}


@pytest.mark.parametrize("start", [0.0, 300.0 * DEGREE])
@pytest.mark.parametrize(
    ("turn", "found"),
    [(60.0, 60.0), (359.0, -1.0), (180.5, -179.5), (0.11, 0.11), (-0.11, -0.11), (0.09, None)],
)
def test_a_turn_is_told_by_its_size(turn: float, found: float | None, start: float) -> None:
    """From 0.1 degrees on, the short way round, wherever the zero of the circle lies."""
    later = dict.fromkeys(FIRST, turn * DEGREE)
    expected = [] if found is None else [(0, 2, pytest.approx(found * DEGREE), 3)]
    assert turns(FIRST, later, start=start) == expected


@pytest.mark.parametrize(
    ("off", "points"),
    [
        ([0, 0, 0, 0, 0], 5),
        ([0, 59, -59, 0, 0], 5),  # arc seconds about the median
        ([0, 61, -61, 0, 0], 3),  # three of five are enough
        ([0, 61, -61, 0, 500], 0),
        ([0, 0], 2),
        ([0, 130], 0),
        ([0], 0),  # one point cannot tell a turned circle from a wrong pointing
    ],
)
def test_points_must_agree_on_a_turn(off: list[float], points: int) -> None:
    """Two at least, and six in ten, within a minute of their median."""
    names = "ABCDE"[: len(off)]
    later = {name: 90.0 * DEGREE + seconds for name, seconds in zip(names, off, strict=True)}
    found = turns(dict.fromkeys(names, 0.0), later)
    assert [points_ for *_, points_ in found] == ([points] if points else [])
    if found:
        assert found[0][2] == pytest.approx(90.0 * DEGREE + np.median(off))


def test_each_later_round_is_held_against_the_first_one() -> None:
    """Turned by 30 and 70 degrees; only what both rounds have seen counts."""
    found = turns(
        FIRST,
        {"A": 30.0 * DEGREE, "B": 30.0 * DEGREE, "D": 999.0},
        {"B": 70.0 * DEGREE, "C": 70.0 * DEGREE},
        FIRST,
    )
    assert found == [(0, 2, 30.0 * DEGREE, 2), (0, 3, 70.0 * DEGREE, 2)]


def test_setups_have_circles_of_their_own() -> None:
    """The turned round of one is no turn of the other, whichever round each begins with."""
    rows = [(0, p, r, 1e4 * p) for p in range(3) for r in (1, 2)]
    rows += [(1, p, r, 1e4 * p + 40.0 * DEGREE * (r == 5)) for p in range(3) for r in (4, 5)]
    assert told(rows) == [(1, 5, 40.0 * DEGREE, 3)]


def test_of_several_readings_in_a_round_the_first_counts_and_what_is_missing_does_not() -> None:
    """A point read twice in the first round; a direction that was left out."""
    rows = [(0, p, r, 1e4 * p + 20.0 * DEGREE * (r == 2)) for r in (1, 2) for p in range(2)]
    twice = [*rows[:2], (0, 0, 1, 5e5), *rows[2:]]
    assert told(twice) == [(0, 2, 20.0 * DEGREE, 2)]
    assert told([*rows, (0, 2, 1, np.nan), (0, 2, 2, 7.0)]) == [(0, 2, 20.0 * DEGREE, 2)]
    assert told([(s, p, r, np.nan) for s, p, r, _ in rows]) == []
