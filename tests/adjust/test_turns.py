"""Sites with azimuths on bases of bearings of unknown turn: what one reading does to all of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.hypothesis import everything, responses
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.model.network import Network

TURNS = np.array([0.3, -1.1])  # rad


def with_bases(rng: np.random.Generator, control: str, links: int) -> Network:
    """Return a network in which every fifth sight is an azimuth, on one of two bases in turn."""
    network, truth = random_network(rng, setups=5, marks=8, control=control, drop=0.0, links=links)
    sights = network.sights
    number = np.arange(len(sights))
    azimuth = number % 5 == 0
    basis = np.where(azimuth, number // 5 % 2, -1)
    value = sights.value.copy()
    value[:, 0] += np.where(azimuth, truth.orientation[sights.setup] - TURNS[basis], 0.0)
    value[:, 0] = np.mod(value[:, 0], 2 * np.pi)
    start = replace(network.start, turn=TURNS + rng.normal(scale=1e-4, size=2))
    read = replace(sights, value=value, azimuth=azimuth, basis=basis)
    return replace(network, sights=read, start=start)


@pytest.mark.parametrize("frame", [held_frame, minimal_frame])
@pytest.mark.parametrize("seed", range(2))
def test_a_reading_moves_the_site_as_another_adjustment_says(frame, seed) -> None:
    """F C of a sight's three readings and of a link: each changed by a tenth of an sd, refitted.

    Setups with their turns, marks, side shots aside; azimuths of both bases among the sights.
    """
    network = with_bases(np.random.default_rng(seed), "mixed" if seed else "held", links=2)
    result = adjust(network, PRECISION, 0.13, frame(network))
    based = np.flatnonzero(result.connections.basis >= 0)
    chosen = [*based[:3].tolist(), *np.flatnonzero(result.connections.turning)[[0, 7]].tolist()]
    spoken = everything(result)
    columns, changed = [], []
    for connection in chosen:
        for kind in range(3):
            bias = np.zeros((len(result.connections), 3))
            bias[connection, kind] = 0.1 * result.sd[connection, kind]
            column = np.zeros(len(spoken))
            column[: bias.size] = result.noise.whitened(bias).ravel()
            columns.append(column)
            value = network.sights.value.copy()
            value[result.connections.source[connection], kind] += bias[connection, kind]
            changed.append(replace(network, sights=replace(network.sights, value=value)))
    column = np.zeros(len(spoken))
    column[-1] = 0.1
    columns.append(column)
    link = network.links.value + 0.1 * network.links.sd * (np.arange(2) == result.problem.links[-1])
    changed.append(replace(network, links=replace(network.links, value=link)))
    setup, point = responses(result, np.column_stack(columns))
    marks = result.system.structure.marks
    largest = []
    for number, other in enumerate(changed):
        again = adjust(other, PRECISION, 0.13, frame(network))
        moved = np.column_stack([again.axis - result.axis, again.orientation - result.orientation])
        assert np.abs(moved - setup[:, :, number]).max() < 2e-8  # m, rad
        away = (again.position - result.position)[marks]
        assert np.abs(away - point[marks, :, number]).max() < 2e-8  # m
        largest.append(max(np.abs(moved).max(), np.abs(away).max()))
    assert sum(size > 1e-6 for size in largest) > 10  # m, rad: nearly all of them count
