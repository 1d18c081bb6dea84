"""The block solver against a dense solution with the full inverse."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.adjust.compare import stated_sds
from tests.adjust.networks import PRECISION, Oracle, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame, minimal_frame


def _dense(adjustment, control: bool):
    network = adjustment.problem.network
    oracle = Oracle(network, PRECISION, stated_sds(adjustment) | {"control": control})
    setup = np.column_stack([network.start.axis, network.start.orientation])
    x0 = np.concatenate([setup.ravel(), network.start.position.ravel()])
    held = np.concatenate([np.zeros(setup.size, bool), (network.control_sd == 0).ravel() & control])
    free = np.flatnonzero(~held)
    return oracle, x0, free


@pytest.mark.parametrize("seed", range(12))
def test_held_to_control_agrees_with_scipy_and_full_inverse(seed):
    """Coordinates 1e-7 m, covariances 1e-6 relative, redundancy numbers 1e-8."""
    rng = np.random.default_rng(seed)
    network, _ = random_network(rng, setups=2 + seed % 5, marks=5 + seed % 4, occupied=seed % 3)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    oracle, x0, free = _dense(result, control=True)

    def fun(y):
        x = x0.copy()
        x[free] = y
        return oracle.residual(x).real

    def jac(y):
        x = x0.copy()
        x[free] = y
        return oracle.jacobian(x)[:, free]

    solved = least_squares(fun, x0[free], jac=jac, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    x = x0.copy()
    x[free] = solved.x
    setup, point = oracle.unpack(x)
    assert np.abs(result.axis - setup[:, :3]).max() < 1e-7  # m
    assert np.abs(result.position - point).max() < 1e-7  # m
    design = oracle.jacobian(x)[:, free]
    inverse = np.linalg.inv(design.T @ design)
    full = np.zeros((len(x), len(x)))
    full[np.ix_(free, free)] = inverse
    cut = 4 * len(setup)
    for s in range(len(setup)):
        block = full[4 * s : 4 * s + 4, 4 * s : 4 * s + 4]
        assert np.abs(result.setup_covariance[s] - block).max() < 1e-6 * np.abs(block).max()
    for p in range(len(point)):
        rows = slice(cut + 3 * p, cut + 3 * p + 3)
        block = full[rows, rows]
        assert np.abs(result.point_covariance[p] - block).max() <= 1e-6 * np.abs(block).max()
    redundancy = oracle.redundancy(design, inverse)
    observed = np.isfinite(network.sights.value)
    dense = np.full(observed.shape, np.nan)
    dense[observed] = redundancy[: observed.sum()]
    sight = ~result.connections.plumb
    mine = result.redundancy[sight]
    theirs = dense[result.connections.source[sight]]
    assert np.nanmax(np.abs(mine - theirs)) < 1e-8
    assert np.nanmax(np.abs(dense[result.aside.connections.source]), initial=0) < 1e-8
    assert result.dof == len(solved.fun) - len(free)
    assert result.weighted_sum == pytest.approx(np.sum(solved.fun**2), rel=1e-9)
    total = np.nansum(result.redundancy) + np.nansum(result.control_redundancy)
    assert total == pytest.approx(result.dof, abs=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_inner_constraints_agree_with_the_pseudo_inverse(seed):
    """A free network equals the bordered (pseudo-inverse) solution over its datum marks."""
    rng = np.random.default_rng(100 + seed)
    network, _ = random_network(
        rng, setups=3 + seed % 3, marks=6, occupied=seed % 2, control="held"
    )
    frame = minimal_frame(network)
    result = adjust(network, PRECISION, 0.13, frame)
    oracle, x, _ = _dense(result, control=False)
    cut = 4 * len(network.setup_labels)
    for _ in range(8):
        design = oracle.jacobian(x)
        border = np.zeros((len(x), 4))
        _, point = oracle.unpack(x)
        for p in np.flatnonzero(frame.datum_points):
            rows = cut + 3 * p
            border[rows : rows + 3, :3] = np.eye(3)
            border[rows : rows + 2, 3] = np.array([-point[p, 1], point[p, 0]]) / 30
        departure = np.concatenate([np.zeros(cut), (point - frame.reference).ravel()])
        departure[~np.isfinite(departure)] = 0
        system = np.block([[design.T @ design, border], [border.T, np.zeros((4, 4))]])
        right = np.concatenate([-design.T @ oracle.residual(x).real, -border.T @ departure])
        scale = 1 / np.sqrt(np.maximum(np.abs(np.diag(system)), 1e-2))
        inverse = np.linalg.inv(system * scale[:, None] * scale) * scale[:, None] * scale
        x = x + (inverse @ right)[: len(x)]
    setup, point = oracle.unpack(x)
    assert np.abs(result.axis - setup[:, :3]).max() < 1e-7
    assert np.abs(result.position - point).max() < 1e-7
    # A centring residual turns with the site, so with an occupied mark the turn is not quite
    # a null vector of the dense normal matrix: that, not the solver, limits the agreement.
    relative = 1e-5 if seed % 2 else 1e-6
    for p in range(len(point)):
        rows = slice(cut + 3 * p, cut + 3 * p + 3)
        block = inverse[rows, rows]
        assert np.abs(result.point_covariance[p] - block).max() < relative * np.abs(block).max()
    for s in range(len(setup)):
        rows = slice(4 * s, 4 * s + 4)
        block = inverse[rows, rows]
        assert np.abs(result.setup_covariance[s] - block).max() < relative * np.abs(block).max()
    assert result.defect == 4
