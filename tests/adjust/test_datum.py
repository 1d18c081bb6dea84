"""The rank defect against the numerical rank of the dense design matrix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, Oracle, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.datum import Anchors, free_motions, minimal_hold
from tieup.adjust.elimination import Held
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.model.network import Network

ALL, PLAN, HEIGHT = [0, 1, 2], [0, 1], [2]
CASES = {  # control -> rank defect of directions, zenith angles and distances
    "none": ([], 4),
    "one height": ([(0, HEIGHT)], 3),
    "three heights": ([(0, HEIGHT), (1, HEIGHT), (2, HEIGHT)], 3),
    "one plan mark": ([(0, PLAN)], 2),
    "one mark": ([(0, ALL)], 1),
    "a plan mark and a height": ([(0, PLAN), (1, HEIGHT)], 1),
    "one northing and a height": ([(0, [0]), (1, HEIGHT)], 2),
    "two plan marks": ([(0, PLAN), (1, PLAN)], 1),
    "two plan marks and a height": ([(0, PLAN), (1, PLAN), (2, HEIGHT)], 0),
    "two marks": ([(0, ALL), (1, ALL)], 0),
}


def with_control(network: Network, control: list[tuple[int, list[int]]], sd: float) -> Network:
    """Give marks known components at their start values."""
    given = np.full((len(network.point_names), 3), np.nan)
    for point, components in control:
        given[point, components] = network.start.position[point, components]
    return replace(network, control=given, control_sd=np.where(np.isfinite(given), sd, np.nan))


def dense_defect(network: Network) -> int:
    """Return unknowns minus rank, by singular values of the oracle's design matrix."""
    sights = network.sights
    away = network.start.position[sights.point] - network.start.axis[sights.setup]
    sd = {"sight": np.tile([1e-4, 1e-4, 1e-2], (len(sights), 1)), "plumb": np.full(3, 1e-3)}
    sd["at"] = away
    oracle = Oracle(network, PRECISION, sd)
    setup = np.column_stack([network.start.axis, network.start.orientation])
    x = np.concatenate([setup.ravel(), network.start.position.ravel()])
    held = np.concatenate([np.zeros(setup.size, bool), (network.control_sd == 0).ravel()])
    design = oracle.jacobian(x)[:, ~held]
    size = np.linalg.svd(design / np.linalg.norm(design, axis=0), compute_uv=False)
    return int((size < 1e-9 * size[0]).sum()) + design.shape[1] - len(size)


@pytest.mark.parametrize("sd", [0.0, 0.005])
@pytest.mark.parametrize("name", CASES)
def test_the_rank_defect_is_what_control_leaves_open(name, sd):
    """Held or weighted, near the origin or far away: the defect of the dense matrix."""
    control, expected = CASES[name]
    for seed, shift in enumerate([(0.0, 0.0), (3000.0, -2000.0)]):
        rng = np.random.default_rng(seed)
        network, _ = random_network(rng, setups=3, marks=6, occupied=0, drop=0.0, shift=shift)
        network = with_control(network, control, sd)
        if seed == 0:
            assert dense_defect(network) == expected
        result = adjust(network, PRECISION, 0.13, held_frame(network))
        assert result.defect == expected
        total = np.nansum(result.redundancy) + np.nansum(result.control_redundancy)
        assert total == pytest.approx(result.dof, abs=1e-6)


def test_two_pieces_without_control_have_two_datums():
    """Setups that share nothing move apart freely: twice four motions."""
    network, _ = random_network(np.random.default_rng(3), setups=4, marks=10, occupied=0, drop=0.0)
    sights = network.sights
    first = (sights.setup < 2) & (sights.point < 5)
    second = (sights.setup >= 2) & (sights.point >= 5)
    value = np.where((first | second)[:, None], sights.value, np.nan)
    network = with_control(replace(network, sights=replace(sights, value=value)), [], 0.0)
    result = adjust(network, PRECISION, 0.13, minimal_frame(network))
    assert result.defect == 8


def test_without_zenith_angles_a_free_network_has_three_motions():
    """A site in plan only: two shifts and a turn are open."""
    network, _ = random_network(np.random.default_rng(4), setups=3, marks=6, occupied=0, drop=0.0)
    sights, start = network.sights, network.start
    value = sights.value.copy()
    value[:, 1] = np.nan
    flat = replace(
        start,
        height_setup=np.zeros_like(start.height_setup),
        height_point=np.zeros_like(start.height_point),
    )
    network = replace(network, sights=replace(sights, value=value), start=flat)
    network = with_control(network, [], 0.0)
    result = adjust(network, PRECISION, 0.13, minimal_frame(network))
    assert result.defect == 3
    observations, unknowns = 2 * 3 * 6, 3 * 3 + 2 * 6
    assert result.dof == observations - unknowns + 3


ALONE, NOTHING = frozenset({0}), frozenset()
PAIR = [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1)]  # a mark of the first piece, another in plan


@pytest.mark.parametrize(
    ("pieces", "bases", "oriented", "held", "expected"),
    [
        (2, (), NOTHING, [], 8),
        (2, ((0,), (1,)), NOTHING, [], 8),
        (2, ((0, 1),), NOTHING, [], 7),  # they turn together
        (2, ((0, 1), (0, 1)), NOTHING, [], 7),
        (3, ((0, 1),), NOTHING, [], 11),
        (3, ((0, 1), (1, 2)), NOTHING, [], 10),  # by way of the one in the middle
        (3, ((0, 1, 2),), NOTHING, [], 10),
        (2, ((0, 1),), ALONE, [], 6),  # where north is in the one it is in both
        (2, ((0,), (1,)), ALONE, [], 7),
        (2, ((0, 1),), NOTHING, PAIR, 3),
        (2, ((0,), (1,)), NOTHING, PAIR, 4),
        (2, ((0, 1),), NOTHING, PAIR[:3], 4),
    ],
)
def test_pieces_that_share_a_basis_of_bearings_turn_together(
    pieces, bases, oriented, held, expected
):
    """Counted by hand: four motions a piece, less what is held, known of north or shared.

    Every motion moves each piece as a rigid body, and its turn is that of its bases.
    """
    rng = np.random.default_rng(1)
    axis, position = rng.uniform(0, 50, (2 * pieces, 3)), rng.uniform(0, 50, (3 * pieces, 3))
    of_setup, of_point = np.repeat(np.arange(pieces), 2), np.repeat(np.arange(pieces), 3)
    own = np.array(held, dtype=np.int64).reshape(-1, 2).T
    anchors = Anchors(np.zeros((2, 0), dtype=np.int64), own, of_setup, of_point, oriented, bases)
    motions = free_motions(axis, position, anchors)
    assert motions.count == expected
    flat = np.concatenate(
        [motions.setup.reshape(-1, expected), motions.point.reshape(-1, expected)]
    )
    assert np.linalg.matrix_rank(flat) == expected
    assert np.abs(motions.point[tuple(own)]).max(initial=0.0) == 0.0
    for column in range(expected):
        for piece in range(pieces):
            turn = motions.setup[of_setup == piece, 3, column]
            assert turn[0] == pytest.approx(turn[1], abs=1e-12)
            place = np.concatenate([axis[of_setup == piece], position[of_point == piece]])
            moved = np.concatenate(
                [
                    motions.setup[of_setup == piece, :3, column],
                    motions.point[of_point == piece, :, column],
                ]
            )
            by_turn = turn[0] * np.column_stack([-place[:, 1], place[:, 0], 0 * place[:, 0]])
            assert np.ptp(moved - by_turn, axis=0) == pytest.approx(np.zeros(3), abs=1e-9)
            for basis, members in enumerate(bases):
                if piece in members:
                    assert motions.turn[basis, column] == pytest.approx(turn[0], abs=1e-12)
    hold = minimal_hold(
        motions, Held(np.zeros((2 * pieces, 4), bool), np.zeros((3 * pieces, 3), bool))
    )
    stuck = np.concatenate([hold.setup.ravel(), hold.point.ravel()])
    assert stuck.sum() == expected
    assert np.linalg.matrix_rank(flat[stuck]) == expected
