"""What each point is to the site, told from the lists by plain sets."""

from __future__ import annotations

import numpy as np
import pytest

from tests.adjust.networks import random_network
from tieup.adjust.point_roles import point_roles


@pytest.mark.parametrize("control", ["none", "mixed"])
@pytest.mark.parametrize("seed", range(3))
def test_roles_are_control_then_station_then_tie_then_shot(seed: int, control: str) -> None:
    """Known before the job; stood over; sighted by two setups; sighted by one."""
    rng = np.random.default_rng(seed)
    network, _ = random_network(rng, setups=3, marks=5, occupied=2, control=control, drop=0.0)
    sights = network.sights
    expected = []
    for point in range(len(network.point_names)):
        known = np.isfinite(network.control[point]).any()
        setups = set(sights.setup[sights.point == point].tolist())
        role = "tie" if len(setups) > 1 else "shot"
        role = "station" if point in network.station else role
        expected.append("control" if known else role)
    assert point_roles(network).tolist() == expected
    assert set(expected) >= {"tie", "shot"} and ("station" in expected) == (control == "none")
