"""Names on the plan: none over another, the more important first, the same each time."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest

from tieup.write.page.drawing_labels import (
    ASCENT,
    LINE,
    Box,
    Label,
    box_around,
    label_width,
    placed,
)

WIDTH, HEIGHT = 1000.0, 700.0


def crowd(count: int, spread: float, seed: int = 3) -> list[Label]:
    """Return marks drawn at random within ``spread`` of the middle of the drawing."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(-spread, spread, (count, 2)) + np.array([WIDTH / 2, HEIGHT / 2])
    return [
        Label(x, y, f"CP{number}", "names", "name", int(number % 4))
        for number, (x, y) in enumerate(places.tolist())
    ]


def box_of(label: Label) -> Box:
    """Return the box that the letters of a label take."""
    assert label.at is not None
    left, top = label.x + label.beside + label.at[0], label.y + label.at[1] - ASCENT * label.size
    return (
        left,
        top,
        left + label_width(label.text, label.size),
        top + LINE * label.size,
    )


def overlap(one: Box, other: Box) -> bool:
    """Return whether two boxes share more than an edge; 0.1 is how places are rounded."""
    return (
        one[0] < other[2] - 0.1
        and other[0] < one[2] - 0.1
        and one[1] < other[3] - 0.1
        and other[1] < one[3] - 0.1
    )


@pytest.mark.parametrize("spread", [20.0, 100.0, 300.0])
def test_no_name_stands_over_another_among_sixty_marks(spread: float) -> None:
    """Every pair of boxes is apart and inside the drawing, however close the marks."""
    marks = crowd(60, spread)
    symbols = [box_around(mark.x, mark.y, 6.0) for mark in marks]
    shown = [label for label in placed(marks, symbols, WIDTH, HEIGHT) if label.at]
    assert len(shown) > {20.0: 3, 100.0: 15, 300.0: 45}[spread]
    for one, other in combinations(map(box_of, shown), 2):
        assert not overlap(one, other)
    for label in shown:
        box = box_of(label)
        assert box[0] >= 0 and box[1] >= 0 and box[2] <= WIDTH and box[3] <= HEIGHT
        others = [s for s in symbols if not overlap(s, box_around(label.x, label.y, 0.2))]
        assert not any(overlap(box, symbol) for symbol in others)


def test_the_more_important_names_are_left_out_last() -> None:
    """Among marks at one spot those of the first rank stay; nothing is lost from the list."""
    marks = [replace(mark, rank=number) for number, mark in enumerate(crowd(30, 5.0))]
    result = placed(marks[::-1], [], WIDTH, HEIGHT)
    assert [label.rank for label in result] == sorted(mark.rank for mark in marks)
    assert result[0].at is not None
    assert sum(label.at is None for label in result) > 10
    assert {label.text for label in result} == {mark.text for mark in marks}


def test_the_same_marks_give_the_same_plan() -> None:
    """Placement is a matter of the marks alone."""
    marks = crowd(60, 100.0)
    assert placed(marks, [], WIDTH, HEIGHT) == placed(list(marks), [], WIDTH, HEIGHT)
    ranks = [label.rank for label in placed(marks, [], WIDTH, HEIGHT)]
    assert all(one <= other for one, other in pairwise(ranks))


def test_a_firm_name_covers_a_symbol_rather_than_going() -> None:
    """A setup between marks keeps its name; a mark there does not."""
    x, y = 500.0, 350.0
    symbols = [box_around(x + a, y + b, 9.0) for a in (-24, 0, 24) for b in (-20, 0, 20)]
    setup = Label(x, y, "S1", "setups", "setup", 0)
    (soft,) = placed([setup], symbols, WIDTH, HEIGHT)
    (firm,) = placed([replace(setup, firm=True)], symbols, WIDTH, HEIGHT)
    assert soft.at is None
    assert firm.at is not None
