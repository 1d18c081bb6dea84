"""What a sight's readings scatter by, with the law of propagation written out anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import BEND, PRECISION, observe, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.observation_equations import offsets
from tieup.adjust.problem import held_frame
from tieup.adjust.weights import noise_parts
from tieup.model.settings import StandingTargets


@pytest.mark.parametrize("standing", [frozenset(), frozenset({1, 3, 4})], ids=["none", "some"])
def test_a_target_counts_in_its_sights_unless_it_stands_all_day(standing) -> None:
    """Pointing over the root of its number; the target by differences of the three readings.

    Where it stands all day its place is one and the same for all. Plumb lines have the
    instrument's own. The five parts sum to that covariance.
    """
    network, _ = random_network(np.random.default_rng(3), setups=3, occupied=2, drop=0.2)
    precision = replace(PRECISION, standing=StandingTargets(points=standing))
    result = adjust(network, precision, 0.13, held_frame(network))
    seen, start = result.connections, network.start
    parts = noise_parts(seen, network.sights, precision, start.axis, start.position)
    away = offsets(seen, start.axis, start.position)
    target = np.diag([0.0012, 0.0012, 0.0009]) ** 2
    lean = np.zeros(len(seen))
    for number in range(len(seen)):
        if seen.plumb[number]:
            expected = np.diag([0.0008, 0.0008, 0.0007]) ** 2
        else:
            row = seen.source[number]
            count = np.maximum(network.sights.count[row], 1)
            expected = np.diag(network.sights.pointing_sd[row] ** 2 / count)
            if seen.point[number] not in standing:
                ends = away[number] + 1e-5 * np.vstack([np.eye(3), -np.eye(3)])
                reading = observe(ends, np.zeros(6))
                reading[:, 1] -= BEND * np.hypot(*ends.T[:2])  # the curve does not scatter
                slope = (reading[:3] - reading[3:]).T / 2e-5
                expected = expected + slope @ target @ slope.T
                expected[0, 1:] = expected[1:, 0] = 0.0  # across the sight and along it
        scale = np.sqrt(np.diagonal(expected))
        found = parts[:, number].sum(axis=0)
        assert np.abs((found - expected) / np.outer(scale, scale)).max() < 1e-6  # of correlation
        np.testing.assert_allclose(result.sd[number], np.where(
            np.isfinite(seen.value[number]), scale, np.nan), rtol=1e-6, atol=0)  # fmt: skip
        both = np.isfinite(seen.value[number, 1:]).all()
        rho = expected[1, 2] / scale[1] / scale[2] if both else 0.0
        lean[number] = rho / np.sqrt(1.0 - rho**2)
    assert np.abs(result.noise.lean - lean).max() < 1e-6
    assert (np.abs(lean) > 0.01).any()
