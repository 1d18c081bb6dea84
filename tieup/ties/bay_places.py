"""Where setups are used, and how well their place is known there.

A setup is used at its joints, in the middle of the marks that both setups see, and at its
farthest side shot. How well it is known there is that of its pose, carried to the place; at a
joint that of the difference of two poses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import f_critical, student_critical
from tieup.adjust.observation_equations import Connections
from tieup.adjust.setup_pairs import cross_covariance
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray

KNOWN = 0.95  # confidence at which a setup is known
PLAN, HEIGHT = False, True


@dataclass(frozen=True)
class Use:
    """A place where setups are used: its ``setups`` (one, or the two of a joint), ``place`` (2,).

    ``point`` is the farthest shot, -1 at a joint.
    """

    setups: tuple[int, ...]
    place: FloatArray
    point: int = -1


def uses_of(
    adjustment: Adjustment, joints: IntArray
) -> tuple[list[Use | None], dict[tuple[int, int], Use]]:
    """Return where setups (S,) and ``joints`` (q, 2) are used; a joint without a place is left."""
    inside = adjustment.connections
    aside, seen = (
        _points_of(adjustment, adjustment.aside.connections),
        _points_of(adjustment, inside),
    )
    stood = _points_of(adjustment, inside, plumb=True)
    setups = [
        _farthest(adjustment, setup, (aside[setup], seen[setup]))
        for setup in range(len(adjustment.axis))
    ]
    found = {}
    for first, second in joints.tolist():
        ends = [np.concatenate([seen[s], stood[s]]) for s in (first, second)]
        place = _middle(adjustment, ends[0], ends[1])
        if place is not None and setups[first] is not None and setups[second] is not None:
            found[first, second] = Use((first, second), place)
    return setups, found


def _points_of(
    adjustment: Adjustment, connections: Connections, *, plumb: bool = False
) -> list[IntArray]:
    """Return the points that each setup sights, or those that it stands over (``plumb``)."""
    own = np.flatnonzero(connections.plumb == plumb)
    setup = connections.setup[own]
    order = np.argsort(setup, kind="stable")
    edges = np.searchsorted(setup[order], np.arange(1, len(adjustment.axis)))
    return np.split(connections.point[own[order]], edges)


def _farthest(adjustment: Adjustment, setup: int, seen: tuple[IntArray, ...]) -> Use | None:
    """Return the farthest side shot of a setup, else its farthest mark.

    None where the setup has no place or no shot.
    """
    if not np.isfinite(adjustment.axis[setup, 0]):
        return None
    for points in seen:
        away = adjustment.position[points, :2] - adjustment.axis[setup, :2]
        distance = np.hypot(away[:, 0], away[:, 1])
        if np.isfinite(distance).any():
            point = int(points[int(np.nanargmax(distance))])
            return Use((setup,), adjustment.position[point, :2], point)
    return None


def _middle(adjustment: Adjustment, first: IntArray, second: IntArray) -> FloatArray | None:
    """Return the middle (2,) of the marks that two setups both see or stand over, None if none."""
    place = adjustment.position[np.intersect1d(first, second), :2]
    place = place[np.isfinite(place[:, 0])]
    return np.asarray(place.mean(axis=0)) if len(place) else None


def known_at(adjustment: Adjustment, uses: Sequence[Use], freedom: FloatArray) -> FloatArray:
    """Return how well places (n,) are known (n, 2) at 95 %: an ellipse's axis, half an interval.

    Plan and height in m; ``freedom`` (n, 2) is that of their variances.
    """
    spread = np.zeros((len(uses), 3, 3))
    for count in (1, 2):
        own = [number for number, use in enumerate(uses) if len(use.setups) == count]
        if own:
            setups = np.array([uses[number].setups for number in own])
            places = np.array([uses[number].place for number in own])
            spread[own] = _spreads(adjustment, setups, places)
    return _extents(spread, freedom)


def _spreads(adjustment: Adjustment, setups: IntArray, places: FloatArray) -> FloatArray:
    """Return the covariances (n, 3, 3) of places by a setup's pose, or by the two of ``setups``.

    Of two (n, 2) it is that of the difference.
    """
    arms = [_carried(places - adjustment.axis[own, :2]) for own in setups.T]
    spread = sum(
        arm @ adjustment.setup_covariance[own] @ arm.transpose(0, 2, 1)
        for arm, own in zip(arms, setups.T, strict=True)
    )
    if len(arms) == 2:
        cross = arms[0] @ cross_covariance(adjustment, setups) @ arms[1].transpose(0, 2, 1)
        spread = spread - cross - cross.transpose(0, 2, 1)
    return np.asarray(spread)


def _carried(away: FloatArray) -> FloatArray:
    """Return the derivatives (n, 3, 4) of places ``away`` (n, 2) from an instrument by its pose."""
    arm = np.zeros((len(away), 3, 4))
    arm[:, range(3), range(3)] = 1.0
    arm[:, 0, 3], arm[:, 1, 3] = -away[:, 1], away[:, 0]
    return arm


def _extents(spread: FloatArray, freedom: FloatArray) -> FloatArray:
    """Return the half axes of 95 % ellipses and half the intervals (n, 2) of covariances."""
    if not len(spread):
        return np.zeros((0, 2))
    largest = np.linalg.eigvalsh(spread[:, :2, :2])[:, -1]
    sd = np.sqrt(np.maximum(np.column_stack([largest, spread[:, 2, 2]]), 0.0))
    plan = np.sqrt(2.0 * f_critical(1.0 - KNOWN, 2.0, freedom[:, 0]))
    return np.asarray(
        sd * np.column_stack([plan, student_critical((1.0 - KNOWN) / 2.0, freedom[:, 1])])
    )
