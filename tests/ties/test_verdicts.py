"""What a crew is told of a difference: the state by hand, the worse part speaks, in its words."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.model.answer import FAILS, TIED, UNTESTED
from tieup.ties.verdicts import judge, state_of

LIMIT = 0.005  # m
# Differences (mm), their sds, whether they are more than chance, and what is to be said: worked
# by hand. A tie of the limit 5 mm is proved by sds up to 5 / 1.645 = 3.04 mm.
BY_HAND = [
    (1.0, 1.0, False, "good"),
    (-4.9, 3.0, False, "good"),
    (4.9, 1.0, True, "tight"),
    (1.0, 3.1, False, "coarse"),
    (4.0, 3.1, True, "tight"),
    (-5.1, 2.0, False, "loose"),
    (5.1, 9.0, False, "loose"),
    (-5.1, 1.0, True, "bad"),
    (np.nan, np.nan, False, "open"),
]


def test_states_by_hand() -> None:
    """Within or beyond the limit, by chance or not, with gear that can prove it or not."""
    size, sd, beyond, expected = zip(*BY_HAND, strict=True)
    found = state_of(np.array(size) / 1e3, np.array(sd) / 1e3, LIMIT, np.array(beyond))
    assert found.tolist() == list(expected)


@pytest.mark.parametrize(
    ("plan", "height", "verdict", "words"),
    [
        ("good", "good", TIED, "within the limit"),
        ("good", "unasked", TIED, "plan within the limit"),
        ("tight", "good", TIED, "plan within the limit, but more than the gear explains"),
        ("open", "open", UNTESTED, "nothing tests it"),
        ("tight", "open", UNTESTED, "nothing tests the height"),
        ("open", "good", UNTESTED, "nothing tests the plan"),
        ("coarse", "coarse", UNTESTED, "the gear is too coarse to prove the limit here"),
        ("coarse", "open", UNTESTED, "the gear is too coarse to prove the limit in plan here"),
        ("good", "coarse", UNTESTED, "the gear is too coarse to prove the limit in height here"),
        (
            "coarse",
            "loose",
            UNTESTED,
            "height beyond the limit, but the gear scatters as much: shoot again to prove it",
        ),
        ("bad", "loose", FAILS, "plan beyond the limit and more than the gear explains"),
        ("bad", "bad", FAILS, "beyond the limit and more than the gear explains"),
        ("unasked", "unasked", UNTESTED, "nothing tests it"),
    ],
)
def test_the_worse_of_plan_and_height_speaks(
    plan: str, height: str, verdict: str, words: str
) -> None:
    """The part is named where the two differ; what was not asked is as good as not tested."""
    found = judge(np.array([plan], dtype=object), np.array([height], dtype=object))
    assert (found.verdict[0], found.words[0]) == (verdict, words)
    assert (found.plan[0], found.height[0]) == (plan, height)
