"""How many pairs of setups a run compares."""

from __future__ import annotations

import numpy as np

from tieup.ties.compare import Comparison, within_means


def pairs(count: int, known: int) -> list[Comparison]:
    """Return pairs that share so many marks, all of them seen by others too."""
    marks = tuple(range(known))
    return [Comparison(marks, marks, marks) for _ in range(count)]


def test_every_pair_of_twenty_thousand_setups_is_compared():
    """A site with a pair unasked could never be proved."""
    chosen = within_means(pairs(60_000, 4), np.zeros(60_000))
    assert chosen.tolist() == list(range(60_000))


def test_where_each_setup_sees_hundreds_of_marks_the_most_suspect_pairs_are_compared():
    suspicion = np.random.default_rng(1).permutation(2000).astype(np.float64)
    chosen = within_means(pairs(2000, 400), suspicion)
    assert 5 < len(chosen) < 1000
    assert suspicion[chosen].min() == 2000 - len(chosen)
