"""Which marks two setups are compared at, and which of them others know too: by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import held_to_control, random_network
from tieup.model.network import Network
from tieup.ties.sharing import Sharing, find_sharing, neighbours


def a_network(setups: int, links: int = 0) -> Network:
    """Return setups that all see seven marks, of which P0, P1 and P2 are control."""
    rng = np.random.default_rng(5)
    found = random_network(
        rng, setups=setups, marks=7, side_shots=0, occupied=0, control="held", drop=0.0, links=links
    )
    return found[0]


def seen(network: Network, *missing: tuple[int, int]) -> Sharing:
    """Return who shares what where some sights (setup, mark) were not taken."""
    value = network.sights.value.copy()
    pairs = zip(network.sights.setup.tolist(), network.sights.point.tolist(), strict=True)
    value[[pair in missing for pair in pairs]] = np.nan
    return find_sharing(
        held_to_control(replace(network, sights=replace(network.sights, value=value)))
    )


def test_marks_that_control_a_link_or_a_third_setup_knows_are_known_to_others() -> None:
    """Each by itself is enough; what only the two have shot is not."""
    network = a_network(3)
    links = a_network(3, links=1).links
    links = replace(links, start=np.array([3]), end=np.array([6]))
    offset = network.start.position[6] - network.start.position[3]
    links = replace(links, value=np.array([offset[2]]))
    of_third = [(2, mark) for mark in (3, 5, 6)]
    sharing = seen(replace(network, links=links), *of_third)
    comparison = sharing.comparison(0, 1, list(range(7)))
    assert comparison.known == (0, 1, 2, 3, 4, 6)  # not 5
    assert comparison.columns == 4 + 3 * 6
    points = sharing.comparison(1, 0, [5]).first
    assert len(points) == 1 and sharing.rows[1, 5] == list(points)


@pytest.mark.parametrize(
    ("work", "compared"),
    [((3, 4, 5, 6), [3, 4, 5, 6]), ((3, 4), [3, 4]), ((3,), [0, 1, 2, 3]), ((), [0, 1, 2])],
)
def test_pairs_are_compared_at_their_work_marks_where_there_are_two(
    work: tuple[int, ...], compared: list[int]
) -> None:
    """Else at all marks that both have shot; counted are all of them, and those of work."""
    missing = [(1, mark) for mark in (3, 4, 5, 6) if mark not in work]
    pairs, marks, common, count = neighbours(seen(a_network(2), *missing))
    assert pairs.tolist() == [[0, 1]] and marks == [compared]
    assert (common.tolist(), count.tolist()) == ([3 + len(work)], [len(work)])


def test_a_mark_of_very_many_setups_makes_no_neighbours() -> None:
    """A tower that 25 setups have shot is no meeting of their bays; one that 24 have is."""
    for setups, pairs in ((24, 24 * 23 // 2), (25, 0)):
        nothing = np.zeros(1, dtype=bool)
        sharing = Sharing({}, {0: set(range(setups))}, nothing, nothing)
        assert len(neighbours(sharing)[0]) == pairs
