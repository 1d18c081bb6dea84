"""Marks that stay in the reduced system give what a dense solution gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.compare import assert_dense_solution
from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.mark_elimination import MANY_SETUPS
from tieup.adjust.problem import held_frame
from tieup.model.network import Links


@pytest.mark.parametrize("seed", range(8))
def test_levels_and_tapes_between_marks(seed):
    """Linked marks, some linked twice, some held, some weighted, equal the dense solution."""
    rng = np.random.default_rng(500 + seed)
    network, _ = random_network(rng, setups=3, marks=8, occupied=seed % 3, links=1 + 2 * seed)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    structure = result.system.structure
    assert set(network.links.start) <= set(structure.marks[structure.eliminated :])
    assert_dense_solution(result)


def test_marks_seen_from_very_many_setups():
    """Towers seen from everywhere stay nodes of the system, and nothing else changes."""
    rng = np.random.default_rng(77)
    setups = MANY_SETUPS + 3
    network, _ = random_network(rng, setups=setups, marks=5, occupied=2, extent=200.0)
    sights = network.sights
    seen = (sights.point != 4) | (sights.setup < 9)
    seen &= (sights.point != 3) | (sights.setup % 2 == 0)
    value = np.where(seen[:, None], sights.value, np.nan)
    network = replace(network, sights=replace(sights, value=value))
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    kept = result.system.structure.marks[result.system.structure.eliminated :]
    assert {0, 1, 2} <= set(kept)
    assert set(kept) != set(range(5))
    assert_dense_solution(result)


def test_a_level_run_alone_carries_a_height():
    """A mark that is sighted without zenith angles and distances has its height from a level."""
    rng = np.random.default_rng(78)
    network, truth = random_network(rng, setups=3, marks=6, occupied=0, drop=0.0)
    value = network.sights.value.copy()
    value[network.sights.point == 5, 1:] = np.nan
    rise = truth.position[5, 2] - truth.position[0, 2]
    level = Links(
        np.array(["level"], dtype=object),
        np.array([0]),
        np.array([5]),
        np.array([rise]),
        np.array([0.0003]),
    )
    network = replace(network, sights=replace(network.sights, value=value), links=level)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    assert not result.undetermined_point.any()
    assert result.point_covariance[5, 2, 2] == pytest.approx(0.0003**2, rel=1e-6)  # m^2; 0 held
    assert_dense_solution(result)
