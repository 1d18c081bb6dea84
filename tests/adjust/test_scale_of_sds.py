"""All stated sds smaller or larger alike: what says nothing of their size stays as it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.believed_tests import BelievedTests, control_tests
from tieup.adjust.link_tests import LinkTests, link_tests
from tieup.adjust.problem import held_frame
from tieup.adjust.solution import Adjustment
from tieup.model.control import Correlated

Found = tuple[Adjustment, BelievedTests, LinkTests]


def solved(times: float) -> Found:
    """Adjust one network with levels, tapes and correlated control, all sds times a number."""
    rng = np.random.default_rng(12)
    network, _ = random_network(rng, setups=4, marks=8, occupied=0, links=6, drop=0.05)
    marks, given, sd = np.array([4, 6]), network.control.copy(), network.control_sd.copy()
    root = rng.normal(size=(6, 9)) * 0.001
    covariance = root @ root.T
    given[marks] = network.start.position[marks]
    sd[marks] = np.sqrt(np.diagonal(covariance)).reshape(2, 3)
    sights, links = network.sights, network.links
    network = replace(
        network,
        control=given,
        control_sd=sd * times,
        correlated=Correlated(marks, covariance * times**2),
        sights=replace(sights, pointing_sd=sights.pointing_sd * times),
        links=replace(links, sd=links.sd * times),
    )
    result = adjust(network, PRECISION.scattering([times**2] * 5), 0.13, held_frame(network))
    return result, control_tests(result), link_tests(result)


@pytest.fixture(scope="module")
def plain() -> Found:
    """Return what was found with the sds as they are."""
    return solved(1.0)


def near(found: np.ndarray, expected: np.ndarray) -> None:
    """Hold arrays to a millionth of their largest value, NaN where the other is NaN."""
    scale = np.nanmax(np.abs(expected))
    np.testing.assert_allclose(found / scale, expected / scale, rtol=0, atol=1e-6)


@pytest.mark.parametrize("times", [1e-4, 0.1, 30.0, 3000.0])
def test_sds_that_are_all_so_many_times_as_large(plain: Found, times: float) -> None:
    """Places and redundancy numbers stay; sds go along, tests the other way, sums by the square.

    Micrometres or metres: nothing is taken for unchecked, or for no control, by its size.
    """
    result, control, links = solved(times)
    before, control_before, links_before = plain
    near(result.position, before.position)
    assert (result.dof, result.defect) == (before.dof, before.defect)
    assert result.weighted_sum * times**2 == pytest.approx(before.weighted_sum, rel=1e-5)
    for name in ("redundancy", "leverage", "control_redundancy", "link_redundancy"):
        near(getattr(result, name), getattr(before, name))
    near(result.sd, before.sd * times)
    near(result.point_covariance, before.point_covariance * times**2)
    near(result.setup_covariance, before.setup_covariance * times**2)
    near(result.standardised * times, before.standardised)
    assert np.isfinite(before.standardised).sum() > 50
    for found, expected in ((control, control_before), (links, links_before)):
        near(found.redundancy, expected.redundancy)
        near(found.residual_sd, expected.residual_sd * times)
        near(found.bias_sd, expected.bias_sd * times)
        assert np.isfinite(expected.bias_sd).any()
