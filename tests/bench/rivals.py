"""What the adjustment is measured against: general-purpose tools on the same network."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from scipy.sparse import csc_array, csr_array
from scipy.sparse.linalg import splu

from tests.bench.sites import PRECISION, REFRACTION
from tieup.adjust.observation_equations import Connections, linearise
from tieup.adjust.problem import held_frame, make_problem
from tieup.adjust.weights import connection_noise
from tieup.geometry import curvature_coefficient
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.network import Network

SMALL_STEP = 1e-5  # m and rad, as the adjustment's own
MOST_ITERATIONS = 10


def read_with_csv(path: Path) -> int:
    """Read the file with the csv module into rows of text; return how many."""
    with path.open(newline="", encoding="utf-8") as file:
        return len(list(csv.reader(file)))


def solve_with_splu(network: Network, side_shots: bool) -> tuple[FloatArray, int]:
    """Solve the normal equations by Gauss-Newton with scipy's sparse LU.

    ``side_shots`` False leaves out the points seen once. The ordering for symmetric
    patterns and no pivoting, because that is the fastest `splu` offers here. No
    statistics. Returns the positions (P, 3) and the number of steps.
    """
    connections, axis, orientation, position, free = _prepare(network, side_shots)
    sd = connection_noise(connections, network.sights, PRECISION, axis, position).sd
    bend = curvature_coefficient(REFRACTION)
    setups = len(axis)
    columns, rows = _pattern(connections, setups)
    for count in range(1, MOST_ITERATIONS + 1):
        linear = linearise(connections, axis, orientation, position, bend)
        by_mark = linear.by_mark / sd[:, :, None]
        turn = np.zeros((len(connections), 3, 1))
        turn[:, 0, 0] = -1.0 / sd[:, 0]
        values = np.concatenate([-by_mark, turn, by_mark], axis=2)
        shape = (3 * len(connections), 4 * setups + 3 * len(position))
        design = csr_array((values.ravel(), columns, rows), shape=shape)[:, free]
        normal = csc_array(design.T @ design)
        right = design.T @ (linear.misclosure / sd).ravel()
        factor = splu(
            normal,
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )
        step = np.zeros(shape[1])
        step[free] = factor.solve(right)
        setup = step[: 4 * setups].reshape(-1, 4)
        axis, orientation = axis + setup[:, :3], orientation + setup[:, 3]
        position = position + step[4 * setups :].reshape(-1, 3)
        if np.abs(step).max() < SMALL_STEP:
            return position, count
    raise RuntimeError("splu did not settle")


def _prepare(
    network: Network, side_shots: bool
) -> tuple[Connections, FloatArray, FloatArray, FloatArray, IntArray]:
    """Return connections, start values and the numbers of the free unknowns."""
    none = np.zeros(len(network.setup_labels), bool), np.zeros(len(network.point_names), bool)
    problem = make_problem(network, held_frame(network), *none)
    connections = problem.connections
    seen = np.bincount(connections.point, minlength=len(network.point_names))
    if not side_shots:
        connections = connections.take(seen[connections.point] > 1)
    taking = seen > (0 if side_shots else 1)
    free_point = ~problem.held_point & taking[:, None]
    free = np.concatenate([np.ones(4 * len(network.setup_labels), bool), free_point.ravel()])
    start = network.start
    return connections, start.axis, start.orientation, start.position, np.flatnonzero(free)


def _pattern(connections: Connections, setups: int) -> tuple[IntArray, IntArray]:
    """Return column numbers and row starts of the design matrix: 7 values a row."""
    setup = 4 * connections.setup[:, None] + np.arange(4)
    point = 4 * setups + 3 * connections.point[:, None] + np.arange(3)
    own = np.concatenate([setup, point], axis=1)
    columns = np.repeat(own[:, None, :], 3, axis=1).ravel()
    return columns, 7 * np.arange(3 * len(connections) + 1)
