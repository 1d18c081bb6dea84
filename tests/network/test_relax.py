"""The robust least squares that lets a block settle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.network.sites import Gear, misses, start, traverse
from tieup.network import relax
from tieup.network.relax import TieRows, solve


def random_rows(rng, setups=12, marks=30, count=200):
    return TieRows(
        rng.integers(-1, setups, count),
        rng.integers(0, marks, count),
        rng.normal(size=(count, 3)),
        rng.normal(size=(count, 2)),
        rng.normal(size=count),
        np.ones(count),
        np.ones(count),
    )


@pytest.mark.parametrize("dense", [True, False])
def test_one_step_is_the_least_squares_solution(dense, monkeypatch):
    """Full and sparse factorisation both agree with numpy.linalg.lstsq, leash included."""
    monkeypatch.setattr(relax, "DENSE", 10**6 if dense else 0)
    rng = np.random.default_rng(1)
    rows, weight = random_rows(rng), rng.uniform(0.1, 2.0, 200)
    _, by_setup, by_mark = solve(rows, weight, 12, 30)
    design = np.zeros((200, 12 * 3 + 30 * 2))
    for number in range(200):
        if rows.setup[number] >= 0:
            design[number, 3 * rows.setup[number] :][:3] += rows.by_setup[number]
        design[number, 36 + 2 * rows.mark[number] :][:2] += rows.by_mark[number]
    root = np.sqrt(weight)
    padded = np.vstack([design * root[:, None], np.eye(96) / relax.LEASH])
    wanted = np.append(-rows.misfit * root, np.zeros(96))
    expected = np.linalg.lstsq(padded, wanted, rcond=None)[0]
    assert np.max(np.abs(np.append(by_setup.ravel(), by_mark.ravel()) - expected)) < 1e-9  # m


@pytest.mark.parametrize("seconds", [5.0, 20.0])
@pytest.mark.parametrize("closed", [True, False])
def test_a_loop_closes_without_calling_its_last_joint_a_mistake(seconds, closed):
    """30 legs of 100 m: what adds up along the loop is spread, nothing clean is gross."""
    for seed in range(15):
        job = traverse(30, seed, closed=closed, gear=Gear(seconds=seconds))
        network = start(job)
        assert network.start.plan_setup.all()
        assert not network.start.gross.any()
        # 30 turns of `seconds` over a loop 950 m across, closed: a few decimetres at worst
        assert np.max(misses(job, network).axis) < 0.03 * seconds + 0.1  # m


def test_a_joint_open_by_a_metre_closes():
    """40 legs with coarse gear and 45" more at every angle: spread, nothing called gross."""
    job = traverse(40, 3, gear=Gear(seconds=60.0, metres=0.005))
    value = job.sights.value.copy()
    ahead = job.sights.point == (job.sights.setup + 1) % 40
    value[ahead, 0] += np.radians(45.0 / 3600.0)  # 45" at every angle of the loop
    network = start(replace(job, sights=replace(job.sights, value=value)))
    assert not network.start.gross.any()
