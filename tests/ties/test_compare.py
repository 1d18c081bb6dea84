"""How many pairs of setups a run compares."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from tieup.ties.compare import Comparison, within_means


def chain(setups: int) -> Any:
    """Return the sizes of a chain of setups with three marks between two, each seen twice."""
    structure = SimpleNamespace(
        incidences=np.zeros(6 * setups), marks=np.zeros(3 * setups), setups=setups
    )
    return SimpleNamespace(system=SimpleNamespace(structure=structure))


def test_every_pair_of_a_chain_of_500_setups_is_compared():
    """499 pairs: with one unasked the site could never be proved."""
    pairs = [Comparison((0, 1, 2), (3, 4, 5), ()) for _ in range(499)]
    chosen = within_means(chain(500), pairs, np.zeros(499))
    assert chosen.tolist() == list(range(499))


def test_a_very_large_job_compares_the_most_suspect():
    """20,000 pairs of 20,000 setups: as many as can be paid for, by their misfits."""
    pairs = [Comparison((0, 1, 2), (3, 4, 5), ()) for _ in range(20_000)]
    suspicion = np.random.default_rng(1).permutation(20_000).astype(np.float64)
    chosen = within_means(chain(20_000), pairs, suspicion)
    assert 10 < len(chosen) < 1000
    assert suspicion[chosen].min() == 20_000 - len(chosen)
