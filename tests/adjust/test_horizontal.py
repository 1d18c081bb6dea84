"""Horizontal distances: the plan's own length, whatever the height between its ends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import held_to_control, random_network
from tieup.adjust.observation_equations import Connections, linearise

BEND = 6.8e-8  # 1/m


@pytest.mark.parametrize("zenith", [True, False])
def test_perfect_horizontal_distances_fit_the_truth(zenith: bool) -> None:
    """Two of four setups measure level, with zenith angles or without: no residual is left.

    Side shots with both come out where they are.
    """
    rng = np.random.default_rng(4)
    network, truth = random_network(rng, marks=7, control="held", drop=0.0, noise=0.0)
    sights = network.sights
    level = sights.setup < 2
    away = truth.position[sights.point] - truth.axis[sights.setup]
    value = sights.value.copy()
    value[level, 2] = np.hypot(away[level, 0], away[level, 1])
    if not zenith:
        inside = level & (sights.point < 7)
        value[inside, 1] = np.nan
    result = held_to_control(replace(network, sights=replace(sights, value=value, level=level)))
    assert result.weighted_sum < 1e-6
    own = slice(None) if zenith else slice(7)
    np.testing.assert_allclose(result.position[own], truth.position[own], rtol=0, atol=1e-5)  # m
    slopes = replace(network, sights=replace(sights, value=value))
    assert held_to_control(slopes).weighted_sum > 10.0


def test_equations_of_horizontal_distances_by_differences() -> None:
    """Observed less computed and its derivatives by the mark, of both kinds side by side."""
    rng = np.random.default_rng(5)
    count = 6
    axis, position = rng.uniform(0, 50, (1, 3)), rng.uniform(0, 50, (count, 3))
    level = np.array([True, False] * 3)
    number = np.arange(count)
    connections = Connections(
        np.zeros(count, dtype=np.int64),
        number,
        np.full((count, 3), 10.0),
        rng.uniform(0, 2, count),
        np.zeros(count, dtype=bool),
        number,
        level,
    )

    def computed(place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        found = linearise(connections, axis, np.zeros(1), place, BEND, np.zeros(0))
        return -found.misclosure[:, 2], found.by_mark[:, 2]

    here, slopes = computed(position)
    away = position - axis + np.outer(connections.rise, [0.0, 0.0, 1.0])
    lengths = np.where(level, np.hypot(away[:, 0], away[:, 1]), np.linalg.norm(away, axis=1))
    np.testing.assert_allclose(here, lengths - 10.0, rtol=0, atol=1e-9)  # m
    for component in range(3):
        step = 1e-4 * np.eye(3)[component]
        change = (computed(position + step)[0] - computed(position - step)[0]) / 2e-4
        np.testing.assert_allclose(slopes[:, component], change, rtol=0, atol=1e-7)
