"""When the shots of a bay lie before or after its instrument moved: each shot by itself.

The referee takes one shot at a time: what a mistake does to the pose at the moment of the shot,
carried to the place. The largest over the shots that the place may have is the bound.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.adjust.test_guards import SIZES, guards_of
from tieup.adjust.guards import Guards, after_moving, pose_effect
from tieup.model.arrays import FloatArray
from tieup.ties.bay_places import Use
from tieup.ties.bays import Shooting, bounds_at, standings

AXES = np.array([[0.0, 0.0, 1.0], [40.0, 10.0, 1.0], [5.0, 60.0, 1.0]])
PLACE = np.array([25.0, 30.0])
ADJUSTMENT: Any = SimpleNamespace(axis=AXES)
CHANCE = 0.10
MOVED_AT = {1: 10, 4: 20}  # mistake of `guards_of`: the row before which it moved its setup


def shooting(first: dict[int, float], last: dict[int, float], own: float = np.nan) -> Shooting:
    """Return when setups took their side shots, and point 0 its own; rows count as they are."""
    return Shooting(
        np.array([first.get(setup, np.nan) for setup in range(3)]),
        np.array([last.get(setup, np.nan) for setup in range(3)]),
        np.arange(30.0),
        np.array([own]),
    )


def at_shot(guards: Guards, setup: int, order: float, height: bool) -> FloatArray:
    """Return what the mistakes do to one shot of a setup, of those that moved it as it was then."""
    away = PLACE - AXES[setup, :2]
    straight = pose_effect(guards.setup[setup], away, height=height)
    moved = after_moving(guards, straight, setup, away)
    columns = np.concatenate(
        [
            np.full(q, guards.moved[n] == setup and MOVED_AT.get(n, 99) <= order)
            for n, q in enumerate(SIZES)
        ]
    )
    return np.where(columns, moved, straight)


def bound(guards: Guards, effects: list[FloatArray]) -> FloatArray:
    """Return the largest bound of each mistake over the ways in which the shots may lie."""
    return guards.bounds(np.array(effects), CHANCE).max(axis=0)


@pytest.mark.parametrize(("first", "last"), [(2, 5), (5, 15), (10, 15), (12, 25)])
def test_a_setup_is_guarded_at_each_of_its_shots(first: int, last: int) -> None:
    """All before the movement at row 10, on both sides of it, all from it on."""
    guards = guards_of(1)
    when = shooting({1: first}, {1: last})
    found = bounds_at(ADJUSTMENT, guards, [Use((1,), PLACE)], when, guards.size[None])[0, 0]
    for row, height in enumerate((False, True)):
        shots = [at_shot(guards, 1, order, height) for order in range(first, last + 1)]
        np.testing.assert_allclose(found[row], bound(guards, shots))


@pytest.mark.parametrize("order", [3, 10, 17])
def test_a_point_of_its_own_is_guarded_at_its_own_shot(order: int) -> None:
    """Whatever else its setup shot before and after."""
    guards = guards_of(2)
    use = Use((1,), PLACE, 0)
    when = shooting({1: 1}, {1: 28}, order)
    found = bounds_at(ADJUSTMENT, guards, [use], when, guards.size[None])[0, 0]
    for row, height in enumerate((False, True)):
        shots = [at_shot(guards, 1, order, height)]
        np.testing.assert_allclose(found[row], bound(guards, shots))


def test_a_joint_is_the_difference_of_two_setups_either_of_which_may_have_moved() -> None:
    """Setup 1 moved amid its shots, setup 2 amid its own: one of them at a time."""
    guards = guards_of(3)
    when = shooting({1: 5, 2: 15}, {1: 15, 2: 25})
    use = Use((1, 2), PLACE)
    found = bounds_at(ADJUSTMENT, guards, [use], when, guards.size[None])[0, 0]
    for row, height in enumerate((False, True)):
        early, late = ({s: at_shot(guards, s, o, height) for s in (1, 2)} for o in (0.0, 29.0))
        ways = [early[1] - early[2], late[1] - early[2], early[1] - late[2]]
        np.testing.assert_allclose(found[row], bound(guards, ways))


@pytest.mark.parametrize("at_once", [1, 10**6])
def test_places_together_are_bounded_as_each_alone(
    monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    """Setups and a joint, each with other ways in which its shots lie."""
    monkeypatch.setattr("tieup.ties.bays.AT_ONCE", at_once)
    guards = guards_of(5)
    when = shooting({1: 5, 2: 15}, {1: 15, 2: 25}, 3)
    uses = [Use((1,), PLACE), Use((1, 2), PLACE), Use((0,), PLACE + 1.0), Use((1,), PLACE, 0)]
    sizes = guards.size * np.array([[1.0], [-2.0]])
    together = bounds_at(ADJUSTMENT, guards, uses, when, sizes)
    for use, found in zip(uses, together, strict=True):
        np.testing.assert_array_equal(found, bounds_at(ADJUSTMENT, guards, [use], when, sizes)[0])


def test_the_worst_mistake_of_a_place_is_named() -> None:
    """By its number, in plan and in height; a place without any is held by nothing."""
    guards = guards_of(4)
    size = guards.size.copy()
    size[guards.first[2]] = 0.5
    guards = replace(guards, size=size)
    when = shooting({0: 1}, {0: 2})
    known = np.array([0.001, 0.002])
    (standing,) = standings(ADJUSTMENT, guards, [Use((0,), PLACE)], known[None], when)
    away = PLACE - AXES[0, :2]
    for row, height in enumerate((False, True)):
        own = bound(guards, [pose_effect(guards.setup[0], away, height=height)])
        assert standing.worst[row] == np.argmax(own)
        assert standing.bound[row] == pytest.approx(own.max())
    assert standing.within(np.maximum(known, standing.bound))
    assert not standing.within(np.maximum(known, standing.bound) - [0.0, 1e-9])
    assert not standing.within(np.array([0.0009, 9.0]))
    (alone,) = standings(ADJUSTMENT, None, [Use((0,), PLACE)], known[None], when)
    assert alone.worst.tolist() == [-1, -1] and alone.within(known)
