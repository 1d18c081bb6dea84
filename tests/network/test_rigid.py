"""One cloud onto another: least squares, and consensus against false marks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import orthogonal_procrustes

from tieup.network.rigid import consensus, fit_rigid


def clouds(rng, count, size=60.0, noise=0.002):
    """Marks in a frame, in another frame, and the move between the two."""
    here = size * (rng.normal(size=count) + 1j * rng.normal(size=count))
    turn = np.exp(1j * rng.uniform(0.0, 2.0 * np.pi))
    shift = complex(rng.normal() * 1e3, rng.normal() * 1e3)
    scatter = noise * (rng.normal(size=count) + 1j * rng.normal(size=count))
    return here, (here + scatter - shift) / turn, turn, shift


def test_the_closed_form_is_the_orthogonal_procrustes_solution():
    """Turn and shift agree with scipy.linalg.orthogonal_procrustes on weighted clouds."""
    rng = np.random.default_rng(1)
    for _ in range(50):
        here, there, _, _ = clouds(rng, 7, noise=1.0)
        weight = rng.uniform(0.5, 2.0, 7)
        turn, shift = fit_rigid(here, there, weight)
        mean_here, mean_there = np.average(here, weights=weight), np.average(there, weights=weight)
        a = np.column_stack([(there - mean_there).real, (there - mean_there).imag])
        b = np.column_stack([(here - mean_here).real, (here - mean_here).imag])
        root = np.sqrt(weight)[:, None]
        matrix, _ = orthogonal_procrustes(a * root, b * root)
        assert np.linalg.det(matrix) > 0
        assert abs(turn - complex(matrix[0, 0], matrix[0, 1])) < 1e-12
        assert abs(shift - (mean_here - turn * mean_there)) < 1e-9  # m


@pytest.mark.parametrize("count", [5, 7, 10, 20])
def test_consensus_finds_the_move_with_three_marks_in_ten_false(count):
    """200 clouds with 30 % of the marks put anywhere: the move comes back every time."""
    rng = np.random.default_rng(count)
    for _ in range(200):
        here, there, turn, _ = clouds(rng, count)
        false = rng.permutation(count)[: int(np.ceil(0.3 * count))]
        there[false] += 30.0 * (rng.normal(size=len(false)) + 1j * rng.normal(size=len(false)))
        fit = consensus(np.arange(count), here, there, np.full(count, 0.04))
        assert fit is not None
        assert fit.redundancy >= 2 * (count - len(false)) - 3
        moved = fit.turn * there + fit.shift
        good = np.setdiff1d(np.arange(count), false)
        assert np.max(np.abs(moved[good] - here[good])) < 0.03  # m
        assert abs(fit.turn - turn) < 3e-3  # rad; three marks close together turn least surely


def test_two_swapped_against_two_right_is_no_evidence():
    """Two marks whose names are swapped fit as well as two that are right: nothing is said."""
    rng = np.random.default_rng(4)
    for _ in range(50):
        here, there, _, _ = clouds(rng, 4, noise=0.0)
        there[[0, 1]] = there[[1, 0]]
        fit = consensus(np.arange(4), here, there, np.full(4, 0.04))
        assert fit is None or fit.chance > 1.0


def test_two_that_agree_among_five_is_no_evidence():
    """All others false, two agree: as likely a swap as the truth."""
    rng = np.random.default_rng(5)
    here, there, _, _ = clouds(rng, 5)
    there[2:] += [40.0, 30.0j, -25.0 + 10.0j]
    fit = consensus(np.arange(5), here, there, np.full(5, 0.04))
    assert fit is None or fit.chance > 1.0


def test_numbers_used_again_for_other_points_do_not_drown_four_true_marks():
    """Four true marks among 300 names that mean other points in the other cloud."""
    rng = np.random.default_rng(6)
    here, there, turn, _ = clouds(rng, 304)
    there[4:] = rng.permutation(there[4:])
    fit = consensus(np.arange(304), here, there, np.full(304, 0.04))
    assert fit is not None
    assert fit.chance < 0.05
    assert abs(fit.turn - turn) < 2e-3  # rad


def test_names_in_common_alone_do_not_join_clouds():
    """60 pairs of clouds that share 5 to 100 names and no mark: never an accepted fit."""
    rng = np.random.default_rng(7)
    for count in (5, 10, 30, 100):
        for _ in range(15):
            here, there = clouds(rng, count)[0], clouds(rng, count)[1]
            fit = consensus(np.arange(count), here, there, np.full(count, 0.04))
            assert fit is None or fit.chance > 0.05


def test_rival_places_of_a_mark_count_once():
    """A mark with a right and a false place supports the right move, and only once."""
    rng = np.random.default_rng(8)
    here, there, turn, _ = clouds(rng, 4)
    mark = np.array([0, 1, 2, 3, 3])
    fit = consensus(
        mark, np.append(here, here[3] + 20.0), np.append(there, there[3]), np.full(5, 0.04)
    )
    assert fit is not None
    assert fit.redundancy == 2 * 4 - 3
    assert abs(fit.turn - turn) < 1e-3  # rad


def test_marks_a_hand_apart_give_no_turn():
    """Two marks 0.3 m apart tie like one: no fit."""
    here = np.array([0j, 0.3 + 0j])
    assert consensus(np.arange(2), here, here + 5.0, np.full(2, 0.04)) is None
