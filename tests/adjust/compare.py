"""Hold an adjustment against the dense solution of `tests.adjust.networks`, part by part."""

from __future__ import annotations

import numpy as np
from scipy.optimize import least_squares

from tests.adjust.networks import PRECISION, Oracle, offsets_of_weights
from tieup.adjust.solution import Adjustment


def stated_sds(result: Adjustment) -> dict[str, np.ndarray]:
    """Return the a-priori sds the package used, laid out for the oracle."""
    network = result.problem.network
    sd = np.full((len(network.sights), 3), np.nan)
    for connections, values in (
        (result.connections, result.sd),
        (result.aside.connections, result.aside.sd),
    ):
        sight = ~connections.plumb
        sd[connections.source[sight]] = values[sight]
    plumb = np.array([8e-4, 8e-4, 7e-4])
    return {"sight": sd, "plumb": plumb, "at": offsets_of_weights(result)}


def dense_problem(result: Adjustment, *, control: bool) -> tuple[Oracle, np.ndarray, np.ndarray]:
    """Return the oracle of a fit, all unknowns at the start, and the numbers of the free ones.

    Without ``control`` the given coordinates take no part.
    """
    network = result.problem.network
    oracle = Oracle(network, PRECISION, stated_sds(result) | {"control": control})
    start = np.column_stack([network.start.axis, network.start.orientation])
    x = np.concatenate([start.ravel(), network.start.position.ravel()])
    held = (network.control_sd == 0).ravel() & control
    free = np.flatnonzero(np.concatenate([np.ones(start.size, bool), ~held]))
    return oracle, x, free


def assert_dense_solution(result: Adjustment) -> None:
    """Demand the dense weighted solution of a fit held to control that fixes its frame.

    Coordinates 1e-7 m; covariances 1e-6 of the block's largest; redundancy numbers 1e-8;
    their sum the degrees of freedom.
    """
    oracle, x, free = dense_problem(result, control=True)

    def at(y: np.ndarray) -> np.ndarray:
        whole = x.copy()
        whole[free] = y
        return whole

    solved = least_squares(
        lambda y: oracle.residual(at(y)).real,
        x[free],
        jac=lambda y: oracle.jacobian(at(y))[:, free],
        method="lm",
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    x = at(solved.x)
    design = oracle.jacobian(x)[:, free]
    inverse = np.linalg.inv(design.T @ design)
    covariance = np.zeros((len(x), len(x)))
    covariance[np.ix_(free, free)] = inverse
    setup, point = oracle.unpack(x)
    assert np.abs(result.axis - setup[:, :3]).max() < 1e-7  # m
    assert np.abs(result.position - point).max() < 1e-7  # m
    cut = setup.size
    _assert_blocks(result.setup_covariance, covariance[:cut, :cut])
    _assert_blocks(result.point_covariance, covariance[cut:, cut:])
    redundancy = oracle.redundancy(design, inverse)
    _assert_redundancy(result, redundancy)
    assert result.dof == len(redundancy) - len(free)
    assert abs(result.weighted_sum - np.sum(solved.fun**2)) < 1e-8 * result.weighted_sum


def _assert_blocks(blocks: np.ndarray, dense: np.ndarray) -> None:
    size = blocks.shape[1]
    for number, block in enumerate(blocks):
        rows = slice(size * number, size * number + size)
        assert np.abs(block - dense[rows, rows]).max() <= 1e-6 * np.abs(dense[rows, rows]).max()


def _assert_redundancy(result: Adjustment, dense: np.ndarray) -> None:
    """Compare in the oracle's order: sights, plumb lines, weighted control, links."""
    network = result.problem.network
    mine = np.full((len(network.sights), 3), np.nan)
    sight = ~result.connections.plumb
    mine[result.connections.source[sight]] = result.redundancy[sight]
    mine[result.aside.connections.source] = 0.0  # nothing checks these
    parts = [
        mine[np.isfinite(network.sights.value)],
        result.redundancy[~sight].ravel(),
        result.control_redundancy[network.control_sd > 0],
        result.link_redundancy,
    ]
    assert np.abs(np.concatenate(parts) - dense).max() < 1e-8
    assert abs(sum(part.sum() for part in parts) - result.dof) < 1e-7
