"""Questions to the factor: the same answers many at once, one at a time, and by whole matrices."""

from __future__ import annotations

import numpy as np
import pytest

from tests.adjust.networks import held_to_control, random_network
from tieup.adjust import cofactors
from tieup.adjust.cofactors import (
    covariance,
    group_covariances,
    group_point_covariances,
    point_covariance,
    point_functions,
    unknown_functions,
)
from tieup.adjust.hypothesis import (
    Bias,
    cross_information,
    everything,
    informations,
    place_shift,
    place_shifts,
    remaining,
)
from tieup.adjust.solution import Adjustment


@pytest.fixture(scope="module")
def site() -> Adjustment:
    """Return a site with side shots, a link and an occupied mark."""
    rng = np.random.default_rng(9)
    return held_to_control(random_network(rng, setups=4, marks=7, links=2)[0])


@pytest.mark.parametrize("batch", [1.0, 150.0, 1e9])
def test_answers_do_not_hang_on_how_many_are_asked_at_once(
    site: Adjustment, batch: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of points inside the system and beside it, alone and in groups of unlike sizes."""
    points = np.array([4, 9, 5, 6, 11, 2])
    whole = point_covariance(site, points).reshape(18, 18)
    groups = [points[:1], points[1:4], points[4:]]
    monkeypatch.setattr(cofactors, "BATCH", batch)
    again = point_covariance(site, points).reshape(18, 18)
    np.testing.assert_allclose(again, whole, rtol=0, atol=1e-15)  # m^2
    start = 0
    for found, group in zip(group_point_covariances(site, groups), groups, strict=True):
        own = slice(start, start + 3 * len(group))
        np.testing.assert_allclose(found, whole[own, own], rtol=0, atol=1e-15)
        start = own.stop
    functions = point_functions(site, points)
    edges = np.array([0, 3, 12, 18])
    spans = [slice(0, 3), slice(3, 12), slice(12, 18)]
    for found, own in zip(group_covariances(site, functions, edges), spans, strict=True):
        np.testing.assert_allclose(found, whole[own, own], rtol=0, atol=1e-15)
    assert group_point_covariances(site, []) == []


def test_unknowns_of_setups_and_points_in_their_order(site: Adjustment) -> None:
    """Diagonal blocks are the covariances that the adjustment gives; a side shot hangs on one."""
    setups, points = np.array([3, 0]), np.array([5, 10])
    joint = covariance(site, unknown_functions(site, setups, points))
    assert joint.shape == (14, 14)
    for number, setup in enumerate(setups):
        own = slice(4 * number, 4 * number + 4)
        np.testing.assert_allclose(
            joint[own, own], site.setup_covariance[setup], rtol=0, atol=1e-14
        )
    for number, point in enumerate(points):
        own = slice(8 + 3 * number, 11 + 3 * number)
        np.testing.assert_allclose(
            joint[own, own], site.point_covariance[point], rtol=0, atol=1e-14
        )
    assert np.linalg.eigvalsh(joint)[0] > -1e-15 and np.abs(joint[:4, 8:]).max() > 1e-9


def columns_of(site: Adjustment, bias: Bias) -> np.ndarray:
    """Return the columns of an alternative over all observations."""
    spoken = everything(site)
    whole = np.zeros((len(spoken), bias.count))
    for row, values in zip(bias.connections, bias.values, strict=True):
        whole[3 * row : 3 * row + 3] = values
    return whole


def test_information_on_alternatives_is_that_of_the_whole_matrix(site: Adjustment) -> None:
    """C'C, C'RC and -C'v of shifts by one sight and by several, and B'RC between two."""
    several = np.flatnonzero(site.connections.point == 4)
    single = several[:1]
    biases = [place_shift(site, single), place_shift(site, several)]
    for bias, found in zip(biases, informations(site, biases), strict=True):
        columns = columns_of(site, bias)
        left = columns.T @ remaining(site, everything(site), columns)
        push = -columns[: 3 * len(site.connections)].T @ site.whitened.reshape(-1)
        np.testing.assert_allclose(found.seen, columns.T @ columns, rtol=1e-9)
        np.testing.assert_allclose(found.left, left, rtol=0, atol=1e-7 * left.max())
        np.testing.assert_allclose(found.push, push, rtol=0, atol=1e-7 * np.abs(push).max())
    alone = place_shifts(site, single)
    np.testing.assert_allclose(alone.left[0], informations(site, biases[:1])[0].left, rtol=1e-6)
    np.testing.assert_allclose(alone.push[0], informations(site, biases[:1])[0].push, rtol=1e-6)
    others = np.concatenate([several[1:], np.flatnonzero(site.connections.point == 6)])
    place = site.rows.by_place[others]
    cross = cross_information(site, biases[1], others, place)
    kept = remaining(site, everything(site), columns_of(site, biases[1]))
    for number, row in enumerate(others):
        expected = place[number].T @ kept[3 * row : 3 * row + 3]
        np.testing.assert_allclose(cross[number], expected, rtol=0, atol=1e-6 * np.abs(kept).max())
    assert informations(site, []) == []
