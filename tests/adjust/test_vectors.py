"""What nets with baselines show of them, component by component as they were booked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import held_to_control, random_network
from tieup.adjust.cofactors import point_covariance
from tieup.adjust.link_tests import link_tests
from tieup.model.network import Links, Network

ENDS = ((2, 5), (5, 6), (6, 4))
MM = 1e-3


def with_vectors(
    network: Network, offsets: np.ndarray, covariances: np.ndarray, scale: float = 2.0
) -> Network:
    """Return a network with vectors (v, 3) behind its levels and tapes, made independent.

    The rows of each are the inverse of a root of its covariance, times any number in m.
    """
    links = network.links
    for number, (ends, offset, covariance) in enumerate(
        zip(ENDS, offsets, covariances, strict=True)
    ):
        along = scale * np.linalg.inv(np.linalg.cholesky(covariance))
        links = links.joined(
            Links(
                np.array(["baseline"] * 3, dtype=object),
                np.full(3, ends[0]),
                np.full(3, ends[1]),
                along @ offset,
                np.full(3, scale),
                along,
                np.full(3, 90 + number),
            )
        )
    return replace(network, links=links)


def test_components_of_vectors_as_they_were_booked() -> None:
    """Correlated components of 1 to 4 mm: residual, its sd, redundancy, sd of a mistake in one.

    The residual is the adjusted offset less the booked one, with the covariance C - Q of the two;
    over a mistake in one component the weighted sum is a parabola, its curve the information.
    """
    rng = np.random.default_rng(1)
    network, truth = random_network(rng, setups=3, marks=7, occupied=0, links=2)
    half = rng.normal(size=(3, 3, 5)) * MM
    covariances = half @ half.transpose(0, 2, 1)
    ends = np.array(ENDS)
    offsets = truth.position[ends[:, 1]] - truth.position[ends[:, 0]]
    offsets += np.einsum("vij,vj->vi", half, rng.normal(size=(3, 5)))
    result = held_to_control(with_vectors(network, offsets, covariances))
    tests = link_tests(result)
    assert len(tests.residual) == 2 + 9
    shares = 0.0
    for number, (start, end) in enumerate(ENDS):
        own = slice(2 + 3 * number, 5 + 3 * number)
        adjusted = result.position[end] - result.position[start]
        np.testing.assert_allclose(
            tests.residual[own], adjusted - offsets[number], rtol=0, atol=1e-9
        )  # m
        joint = point_covariance(result, np.array([start, end]))
        spread = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
        left = covariances[number] - spread
        sds = np.sqrt(np.diagonal(left))
        np.testing.assert_allclose(tests.residual_sd[own], sds, rtol=1e-6)
        share = np.diagonal(left @ np.linalg.inv(covariances[number]))
        np.testing.assert_allclose(tests.redundancy[own], share, rtol=0, atol=1e-7)
        shares += share.sum()
        for part in range(3):
            sums = []
            for mistake in (-4 * MM, 0.0, 4 * MM):
                wrong = offsets.copy()
                wrong[number, part] += mistake
                again = held_to_control(with_vectors(network, wrong, covariances, scale=0.7))
                sums.append(again.weighted_sum)
            curve = (sums[0] + sums[2] - 2.0 * sums[1]) / (2.0 * (4 * MM) ** 2)
            assert tests.bias_sd[own][part] == pytest.approx(curve**-0.5, rel=1e-3)  # m
    assert result.link_redundancy[2:].sum() == pytest.approx(shares, abs=1e-6)
    single = held_to_control(network)
    assert (np.isfinite(link_tests(single).bias_sd)).all()
