"""A site of many setups: right, and in time that grows with its size."""

from __future__ import annotations

import time

import numpy as np
import pytest

from tests.network.sites import city, misses, start
from tieup.network.block_growth import Block, Growth

pytestmark = pytest.mark.slow


def test_hundreds_of_setups_and_tens_of_thousands_of_side_shots():
    """400 setups, 1,600 marks, 40,000 side shots: all within 3 cm, nothing gross."""
    job = city(20, shots=100)
    network = start(job)
    miss = misses(job, network)
    assert np.max(miss.axis) < 0.03  # m
    assert np.max(miss.position) < 0.05  # m; side shots at 100 m carry 5" of two angles
    assert not network.start.gross.any()


def test_the_cost_grows_with_the_size_and_no_faster():
    """Four times the setups cost less than twelve times the time (CPU time of one process)."""
    jobs = [city(side, shots=20) for side in (12, 24)]
    start(jobs[0])
    spent = []
    for job in jobs:
        runs = []
        for _ in range(2):
            before = time.process_time()
            start(job)
            runs.append(time.process_time() - before)
        spent.append(min(runs))
    assert spent[1] < 12.0 * spent[0]  # quadratic cost would be 16 times


def test_setups_that_share_one_mark_are_not_weighed_in_plan():
    """1,000 setups with one sight each: a single mark says nothing of a turn, so no pair is."""
    blocks = {number: Block(places={0: [(1.0 + 0j, 1.0, 0.1)]}) for number in range(1000)}
    blocks[1000] = Block(places={0: [(0j, 1.0, 0.1)], 1: [(5j, 1.0, 0.1)], 2: [(7j, 1.0, 0.1)]})
    blocks[1001] = Block(places={1: [(5j, 1.0, 0.1)], 2: [(7j, 1.0, 0.1)], 3: [(9j, 1.0, 0.1)]})
    growth = Growth(blocks, lambda here, there: None, own=3, each=2)
    assert growth.pairs(2) == [(1000, 1001)]
    assert len(growth.pairs(1)) == 1001 * 1000 // 2 + 1


def test_mistakes_all_over_a_large_site_are_found():
    """1 % of the ties of 200 setups wrong by metres: all gross, no good sight with them."""
    job = city(14, shots=0, seed=3)
    rng = np.random.default_rng(3)
    bad = rng.permutation(len(job.sights))[: len(job.sights) // 100]
    job.sights.value[bad, 2] += rng.uniform(1.0, 5.0, len(bad))
    network = start(job)
    assert np.max(misses(job, network).axis) < 0.03  # m
    assert np.flatnonzero(network.start.gross[:, 2]).tolist() == sorted(bad.tolist())
    assert network.start.gross.sum() == len(bad)
