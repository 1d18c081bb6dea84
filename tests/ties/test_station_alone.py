"""One free station on known marks and the best bearing for another, against dense equations.

The referee writes the equations of direction and distance anew, differentiates them by the complex
step and asks `numpy.linalg` for the whole inverse; a mark that may have moved is two unknowns more.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from tieup.ties.free_station_precision import danger, station_alone
from tieup.ties.sector import BEARINGS, best_sector, shot_sd

MARKS = np.array([[42.0, 11.0], [-18.0, 37.0], [-9.0, -51.0], [30.0, -24.0]])  # m from the station
SECOND = np.pi / 648_000
SD = np.array(
    [[4 * SECOND, 0.002], [7 * SECOND, np.nan], [5 * SECOND, 0.003], [9 * SECOND, 0.004]]
)  # rad, m: unlike each other, one distance not observed


def observed(unknowns: np.ndarray, marks: np.ndarray) -> np.ndarray:
    """Return directions, then distances, of marks from N, E, orientation; complex-step safe."""
    away = marks - unknowns[:2]
    square = away[:, 0] ** 2 + away[:, 1] ** 2
    turn = (away[:, 0].real * away[:, 1].imag - away[:, 1].real * away[:, 0].imag) / square.real
    bearing = np.arctan2(away[:, 1].real, away[:, 0].real) + 1j * turn
    return np.concatenate([bearing - unknowns[2], np.sqrt(square)])


def equations(marks: np.ndarray, sd: np.ndarray, moved: int = -1) -> np.ndarray:
    """Return the weighted design (rows observed, unknowns); a mark that ``moved`` has two more."""
    count = 5 if moved >= 0 else 3
    columns = []
    for i in range(count):
        u = np.zeros(count, dtype=complex)
        u[i] = 1e-30j
        places = marks.astype(complex)
        if moved >= 0:
            places[moved] += u[3:]
        columns.append(observed(u[:3], places).imag / 1e-30)
    weight = 1.0 / sd.T.ravel()
    design = np.column_stack(columns) * weight[:, None]
    return np.where(np.isfinite(weight)[:, None], design, 0.0)


def worst(covariance: np.ndarray) -> float:
    """Return the sd in the direction where it is largest."""
    return float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))


def referee(marks: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return covariance, redundancy numbers and the worst sd of a shift of each mark."""
    design = equations(marks, sd)
    covariance = np.linalg.inv(design.T @ design)
    redundancy = 1.0 - np.diagonal(design @ covariance @ design.T)
    shifts = []
    for mark in range(len(marks)):
        more = equations(marks, sd, mark)
        shows = np.linalg.matrix_rank(more / np.linalg.norm(more, axis=0)) == 5
        shifts.append(worst(np.linalg.inv(more.T @ more)[3:, 3:]) if shows else np.inf)
    return covariance, np.where(np.isfinite(sd.T.ravel()), redundancy, np.nan), np.array(shifts)


def test_a_station_alone_is_the_dense_solution() -> None:
    """Covariance with its signs, redundancy, shifts; of one station and of several at a time."""
    stack = np.stack([MARKS, MARKS @ [[0.6, -0.8], [0.8, 0.6]] + [5.0, -3.0]])
    found = station_alone(stack, SD)
    for number, marks in enumerate(stack):
        covariance, redundancy, shifts = referee(marks, SD)
        scale = np.sqrt(np.diagonal(covariance))
        share = (found.covariance[number] - covariance) / np.outer(scale, scale)
        assert np.abs(share).max() < 1e-9  # of correlation
        np.testing.assert_allclose(found.redundancy[number], redundancy, rtol=0, atol=1e-9)
        np.testing.assert_allclose(found.shift_sd[number], shifts, rtol=0, atol=1e-9)  # m
    one = station_alone(MARKS, SD)
    np.testing.assert_allclose(one.covariance, found.covariance[0], rtol=0, atol=1e-18)


def test_the_worst_sd_of_a_shot_is_that_of_its_place() -> None:
    """Each shot is a place turned and shifted with the station; the station itself is one too."""
    covariance = station_alone(MARKS, SD).covariance
    shots = np.array([[70.0, -20.0], [-15.0, 66.0], [3.0, 4.0]])
    sds = []
    for north, east in [*shots, (0.0, 0.0)]:
        lever = np.array([[1.0, 0.0, -east], [0.0, 1.0, north]])
        sds.append(worst(lever @ covariance @ lever.T))
    assert shot_sd(covariance, shots) == pytest.approx(max(sds), abs=1e-12)  # m
    assert shot_sd(covariance, shots[2:]) == pytest.approx(max(sds[2:]), abs=1e-12)
    assert shot_sd(covariance, shots[:0]) == pytest.approx(sds[3], abs=1e-12)


@pytest.mark.parametrize("line", [np.nan, np.radians(20.0)])
def test_the_best_bearing_for_another_mark_by_trying_all(line: float) -> None:
    """Every 5 degrees at the mean distance with the mean sds: the cost of each, worked out anew.

    The sector is the run round the best in which the cost is within a tenth; the gain is what the
    worst shot gets. Bearings within 30 degrees of the line of the marks, either way, are barred.
    """
    marks, sd = MARKS[[0, 3, 1]] * [[1.0, 0.4], [1.0, 0.3], [1.0, -0.2]], SD[[0, 2, 3]]
    shots = np.array([[60.0, 30.0], [-30.0, 10.0]])
    far = np.hypot(*marks.T).mean()
    costs, spreads = [], []
    bearings = np.radians(5.0) * np.arange(BEARINGS)
    for bearing in bearings:
        more = np.vstack([marks, far * np.array([np.cos(bearing), np.sin(bearing)])])
        covariance, _, shifts = referee(more, np.vstack([sd, sd.mean(axis=0)]))
        spreads.append(float(shot_sd(covariance, shots)))
        costs.append((spreads[-1], shifts.max()))
    apart = np.abs(np.arcsin(np.sin(bearings - line)))
    free = ~(apart < np.radians(30.0) - 1e-9)
    table = np.array(costs)
    cost = np.where(free, (table / table[free].min(axis=0)).sum(axis=1), np.inf)
    best = int(np.argmin(cost))
    good = cost <= 1.10 * cost[best]
    run = next(k for k in range(BEARINGS) if not good[(best - k - 1) % BEARINGS])
    on = next(k for k in range(BEARINGS) if not good[(best + k + 1) % BEARINGS])
    found = best_sector(marks, sd, shots, line)
    assert found is not None
    assert found.start == pytest.approx(bearings[(best - run) % BEARINGS], abs=1e-12)  # rad
    assert found.end == pytest.approx(bearings[(best + on) % BEARINGS], abs=1e-12)
    before = float(shot_sd(referee(marks, sd)[0], shots))
    assert found.gain == pytest.approx(spreads[best] / before, abs=1e-9)


def test_danger_is_the_circle_of_the_best_three_marks() -> None:
    """The power of a point: |R^2 - d^2| = |R - d| (R + d), each circle by its own determinant."""

    def near(three: np.ndarray) -> float:
        rows = np.column_stack([(three**2).sum(axis=1), three, np.ones(3)])
        a, b, c, d = (np.linalg.det(np.delete(rows, k, axis=1)) for k in range(4))
        north, east = b / (2 * a), -c / (2 * a)
        radius = np.sqrt(north**2 + east**2 + d / a)
        return float(abs(d / a) / (radius + np.hypot(north, east)) / radius)

    expected = [near(MARKS[list(three)]) for three in combinations(range(4), 3)]
    assert danger(MARKS) == pytest.approx(max(expected), abs=1e-12)  # of the radius
    assert danger(MARKS[:3]) == pytest.approx(near(MARKS[:3]), abs=1e-12)
    assert danger(np.array([[1.0, 1.0], [2.0, 2.0], [5.0, 5.0]])) == 1.0
    assert danger(MARKS[:2]) == 0.0
