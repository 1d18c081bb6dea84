"""Grow blocks in plan and say where each setup and mark of the solved block stands."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.network.block_growth import CONTROL, Block, Growth, Place, content_numbers
from tieup.network.block_joining import CHECKED, HorizontalFit, locate_marks, loosest_join
from tieup.network.polar_sets import Ties
from tieup.network.rigid import ComplexArray

CONTROL_WEIGHT = 1.5  # setups: control decides between two setups that disagree
CONTROL_TOLERANCE = 0.01  # metres
NOWHERE = complex(math.nan, math.nan)


@dataclass(frozen=True)
class HorizontalControl:
    """Known marks in plan: marks (c,), places (c,) in m, complex, and sds (c,) in m.

    ``weight`` (c,) is how many setups each counts for against one that disagrees.
    """

    mark: IntArray
    place: ComplexArray
    sd: FloatArray
    weight: FloatArray

    def take(self, rows: IntArray | BoolArray) -> HorizontalControl:
        """Return the chosen marks."""
        return HorizontalControl(
            self.mark[rows], self.place[rows], self.sd[rows], self.weight[rows]
        )


@dataclass(frozen=True)
class Cloud:
    """Marks (n,) tied to each other by vectors: ``place`` (n,) in m, ``tolerance`` (m)."""

    mark: IntArray
    place: ComplexArray
    tolerance: float


@dataclass(frozen=True)
class HorizontalState:
    """Plan of the solved block; S setups, P points, NaN where not in it.

    ``axis`` (S,) and ``position`` (P,) in m, complex; ``orientation`` (S,) in rad.
    """

    axis: ComplexArray
    orientation: FloatArray
    position: ComplexArray


def grow_plan(
    ties: Ties, anchors: HorizontalControl, setups: int, clouds: Sequence[Cloud] = ()
) -> Growth:
    """Join setups, control and what vectors tie together in plan as far as the sights allow.

    The order: joins that check themselves, marks by rays of two setups, joins of two
    marks, joins that nothing checks, and at last what fits only loosely. Each gain sends
    the search back to the top.
    """
    growth = Growth(_blocks(ties, anchors, setups, clouds), HorizontalFit(ties), own=3, each=2)
    while (
        growth.join_strongest(CHECKED)
        or locate_marks(growth, ties)
        or growth.join_strongest(0)
        or loosest_join(growth)
    ):
        pass
    return growth


def state_of(block: Block, setups: int, points: int) -> HorizontalState:
    """Return the places in a block as arrays."""
    axis = np.full(setups, NOWHERE)
    orientation = np.full(setups, np.nan)
    position = np.full(points, NOWHERE)
    for setup, (turn, shift) in block.poses.items():
        axis[setup] = shift
        orientation[setup] = np.angle(turn)
    for mark in block.places:
        position[mark] = block.best_place(mark)[0]
    return HorizontalState(axis, orientation, position)


def _blocks(
    ties: Ties, anchors: HorizontalControl, setups: int, clouds: Sequence[Cloud]
) -> dict[int, Block]:
    """Return one block a setup, numbered by its content, one a cloud, and one for control."""
    alone = [Block(poses={setup: (1.0 + 0.0j, 0.0j)}) for setup in range(setups)]
    plan, tolerance = ties.plan, ties.tolerance
    located = np.isfinite(plan)
    columns = (ties.setup, ties.point, plan, tolerance)
    for setup, point, where, near in zip(*(c[located].tolist() for c in columns), strict=True):
        _add_own(alone[setup].places.setdefault(point, []), (where, 1.0, near))
    seen = np.isfinite(ties.direction) | np.isfinite(ties.horizontal)
    for row in np.flatnonzero(seen & ~located).tolist():
        alone[int(ties.setup[row])].rays.setdefault(int(ties.point[row]), []).append(row)
    numbers = content_numbers(ties.setup, ties.horizontal, setups)
    blocks = dict(zip(numbers.tolist(), alone, strict=True))
    if len(anchors.mark):
        near = (CONTROL_TOLERANCE + 3.0 * anchors.sd).tolist()
        known = zip(
            *(part.tolist() for part in (anchors.mark, anchors.place, anchors.weight)),
            near,
            strict=True,
        )
        blocks[CONTROL] = Block(
            places={mark: [(place, weight, within)] for mark, place, weight, within in known}
        )
    for number, cloud in enumerate(clouds, setups):
        tied = zip(cloud.mark.tolist(), cloud.place.tolist(), strict=True)
        blocks[number] = Block(places={m: [(place, 1.0, cloud.tolerance)] for m, place in tied})
    return blocks


def _add_own(places: list[Place], place: Place) -> None:
    """Add a setup's place of a mark; a repeated sight that agrees says nothing new."""
    where, weight, near = place
    for number, (standing, _, tolerance) in enumerate(places):
        if abs(where - standing) <= max(near, tolerance):
            places[number] = (0.5 * (where + standing), weight, min(near, tolerance))
            return
    places.append(place)
