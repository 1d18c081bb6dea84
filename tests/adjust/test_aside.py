"""Points that nothing checks fulfil their own observations, and follow their setup."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.adjust.networks import BEND, observe
from tieup.adjust.evaluation import Unknowns
from tieup.adjust.observation_equations import Connections
from tieup.adjust.radiated_points import Aside
from tieup.adjust.whitening import make_whitening

SHARED = 7e-9  # rad m; correlation 0.35 of zenith angle and distance
KINDS = {  # name -> observed components, held components of the point
    "full": ([0, 1, 2], []),
    "no height": ([0, 2], [2]),
    "no distance, height known": ([0, 1], [2]),
    "height alone": ([1], [0, 1]),
    "distance alone": ([2], [0, 1]),
}


def side_shots(kind: str, seed: int, reach: float, count: int = 7) -> Aside:
    """Return side shots of one setup within ``reach`` metres, start values 5 cm off."""
    observed, held = KINDS[kind]
    rng = np.random.default_rng(seed)
    axis, orientation = rng.uniform(-50, 50, (1, 3)), rng.uniform(0, 6, 1)
    position = axis + rng.uniform(-1, 1, (count, 3)) * reach
    position[:, :2] += np.sign(position[:, :2] - axis[:, :2]) * 2.0  # no shot straight up
    rise = rng.uniform(0, 2, count)
    value = observe(position - axis + rise[:, None] * [0, 0, 1], orientation)
    value[:, [c for c in range(3) if c not in observed]] = np.nan
    free = np.ones(3, bool)
    free[held] = False
    start = position + rng.uniform(-0.05, 0.05, position.shape) * free
    none, number = np.zeros(count, int), np.arange(count)
    connections = Connections(none, number, value, rise, np.zeros(count, bool), number)
    sd = np.tile([1e-5, 2e-5, 1e-3], (count, 1))
    noise = make_whitening(sd, np.full(count, SHARED), np.isfinite(value))
    state = Unknowns(axis, orientation, start, np.zeros(0))
    return Aside(connections, noise, state, np.tile(~free, (count, 1)), BEND)


@given(st.sampled_from(sorted(KINDS)), st.integers(0, 2**32 - 1), st.floats(1.0, 4000.0))
@settings(max_examples=150, deadline=None)
def test_the_point_fulfils_its_observations(kind, seed, reach):
    """Observed again from the oracle's formulae: 2e-12 rad, and 2e-9 m over kilometres.

    A distance alone hardly tells the height of a line that is nearly level: what the last step
    leaves is 1e-7 m there.
    """
    aside = side_shots(kind, seed, reach)
    position = aside.follow(slice(0, 7)).position
    offset = position - aside.state.axis
    offset[:, 2] += aside.connections.rise
    again = observe(offset, aside.state.orientation)
    off = np.where(np.isfinite(aside.connections.value), again - aside.connections.value, 0.0)
    off[:, 0] -= np.round(off[:, 0] / (2 * np.pi)) * 2 * np.pi
    assert np.abs(off[:, :2]).max() < 2e-12 + 1e-9 / reach  # rad
    assert np.abs(off[:, 2]).max() < (1e-7 if kind == "distance alone" else 2e-9)  # m


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(5))
def test_derivatives_equal_finite_differences(kind, seed):
    """Points computed from a moved setup and from changed readings: T and J S J'."""
    aside = side_shots(kind, seed, 60.0)
    every = slice(0, 7)
    step, part = 1e-5, 1e-3  # m, rad; of an sd
    numeric = np.zeros((7, 3, 4))
    for unknown in range(4):
        ends = []
        for sign in (1, -1):
            axis, orientation = aside.state.axis.copy(), aside.state.orientation.copy()
            if unknown < 3:
                axis[0, unknown] += sign * step
            else:
                orientation[0] += sign * step
            moved = replace(
                aside, state=Unknowns(axis, orientation, aside.state.position, np.zeros(0))
            )
            ends.append(moved.follow(every).position)
        numeric[:, :, unknown] = (ends[0] - ends[1]) / (2 * step)
    assert np.abs(aside.by_setup - numeric).max() < 1e-4 * max(1.0, np.abs(numeric).max())
    effect = np.zeros((7, 3, 3))
    for component, sd in enumerate(aside.noise.sd[0]):
        ends = []
        for sign in (1, -1):
            value = aside.connections.value.copy()
            value[:, component] += sign * part * sd
            changed = replace(aside, connections=replace(aside.connections, value=value))
            ends.append(changed.follow(every).position)
        effect[:, :, component] = np.nan_to_num(ends[0] - ends[1]) / (2 * part * sd)
    both = {1, 2} <= set(KINDS[kind][0])
    covariance = np.diag(aside.noise.sd[0] ** 2)
    covariance[1, 2] = covariance[2, 1] = SHARED if both else 0.0
    spread = effect @ covariance @ effect.transpose(0, 2, 1)
    assert np.abs(aside.own - spread).max() < 1e-3 * np.abs(spread).max()
