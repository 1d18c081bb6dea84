"""Start values in height: the same growing as in plan, in one dimension.

A setup is a cloud of rises above its axis, control a cloud of elevations, a level line
a cloud of two. One shared mark joins two clouds; more of them check each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import ZENITH, Sights
from tieup.network.block_growth import (
    CONTROL,
    Block,
    FitFunction,
    Growth,
    content_numbers,
    shared_places,
)
from tieup.network.horizontal_blocks import CONTROL_TOLERANCE, CONTROL_WEIGHT, HorizontalState
from tieup.network.polar_sets import PLAIN, SURE, Ties
from tieup.network.relax import TieRows, relax
from tieup.network.rigid import GEAR_FLOOR, CloudFit, per_mark
from tieup.network.tie_equations import plan_misfits

HEIGHT_NOISE = 0.002  # metres; sd of target and instrument heights
LOOSE = 5.0  # times the tolerance, once nothing better is left


@dataclass(frozen=True)
class Rises:
    """Heights of marks over what measured them, in rows of shape (r,).

    ``unit`` is the setup, or S + the number of the level line; ``mark`` the point; ``rise``
    the mark minus the unit's zero (m); ``tolerance`` and ``sd`` in m. ``levelled`` (units,):
    which setups (and all lines) measure heights at all. ``elevation`` (P,) and
    ``elevation_sd`` (P,) are control, NaN where unknown.
    """

    unit: IntArray
    mark: IntArray
    rise: FloatArray
    tolerance: FloatArray
    sd: FloatArray
    levelled: BoolArray
    elevation: FloatArray
    elevation_sd: FloatArray


@dataclass(frozen=True)
class HeightState:
    """Heights (m), NaN where nothing is known: ``zero`` (units,) and ``position`` (P,).

    ``piece_unit`` and ``piece_mark`` number what hangs together in height, 0 the piece that
    has the known heights (or, without any, the largest), -1 where there is no height.
    """

    zero: FloatArray
    position: FloatArray
    piece_unit: IntArray
    piece_mark: IntArray


def rises_of_ties(
    ties: Ties, sights: Sights, plan: HorizontalState, bend: float
) -> tuple[BoolArray, FloatArray]:
    """Return which ties may carry a height and their rises (m), each of shape (r,).

    The distance is the observed one where it fits in plan, else that of the start values.
    A sight whose direction and distance both miss is of another mark and carries nothing.
    """
    misfit = plan_misfits(plan, ties)
    wrong = misfit > 1.0
    no_distance = ~np.isfinite(ties.horizontal)
    elsewhere = (ties.sight >= 0) & wrong[:, 0] & (wrong[:, 1] | no_distance)
    over = (ties.sight < 0) & wrong.any(axis=1)
    length = np.abs(plan.position[ties.point] - plan.axis[ties.setup])
    zenith = sights.value[ties.sight, ZENITH] - bend * length
    with np.errstate(divide="ignore", invalid="ignore"):
        computed = length / np.tan(zenith) - sights.target_height[ties.sight]
    rise = np.where((ties.sight >= 0) & (wrong[:, 1] | no_distance), computed, ties.rise)
    reached = np.isfinite(plan.axis[ties.setup]) & np.isfinite(plan.position[ties.point])
    return reached & ~elsewhere & ~over & np.isfinite(rise), rise


def grow_heights(rises: Rises, held: bool) -> HeightState:
    """Join everything in height and let it settle.

    ``held``: control belongs to the frame and joins; otherwise it is left aside.
    """
    blocks = _blocks(rises, held)
    growth = Growth(blocks, level_fit(1.0), own=1, each=1)
    while growth.join_strongest(1) or growth.join_strongest(0) or _loosest(growth):
        pass
    state = _state(growth, rises)
    return _settled(state, rises, held)


def level_fit(factor: float) -> FitFunction:
    """Return the fit of heights: the shift with which most shared marks agree.

    Tolerances are taken ``factor`` times. A single mark is enough where no other is shared.
    """

    def fit(here: Block, there: Block) -> CloudFit | None:
        mark, mine, theirs, tolerance, support = shared_places(here, there)
        if not len(mark):
            return None
        return _consensus(mark, (mine - theirs).real, factor * tolerance, support)

    return fit


def _consensus(
    mark: IntArray, shift: FloatArray, tolerance: FloatArray, support: FloatArray
) -> CloudFit:
    """Return the shift most stands behind; one with a rival as strong counts as accident."""
    gap = np.abs(shift[:, None] - shift)
    inside = gap <= tolerance
    behind = support * inside
    if len(set(mark.tolist())) < len(mark):
        behind = per_mark(behind, mark)
    count, strength = np.count_nonzero(behind, axis=1), behind.sum(axis=1)
    cost = (np.minimum(gap / tolerance, 1.0) ** 2).sum(axis=1)
    best = int(np.lexsort((cost, -strength))[0])
    chosen = inside[best]
    weight = 1.0 / tolerance[chosen] ** 2
    mean = float((weight * shift[chosen]).sum() / weight.sum())
    rival = (strength == strength[best]) & ~(inside & chosen).any(axis=1)
    noise = math.hypot(float(np.sqrt(np.mean((shift[chosen] - mean) ** 2))), GEAR_FLOOR)
    most = int(count[best])
    return CloudFit(
        1.0 + 0.0j,
        complex(mean),
        most - 1,
        noise / math.sqrt(most),
        math.inf if rival.any() else 0.0,
        most >= 4 and 2 * most > len(mark),
    )


def _blocks(rises: Rises, held: bool) -> dict[int, Block]:
    units = len(rises.levelled)
    alone = [Block(poses={unit: (1.0 + 0.0j, 0.0j)}) for unit in range(units)]
    columns = (rises.unit, rises.mark, rises.rise, rises.tolerance)
    for unit, mark, rise, near in zip(*(column.tolist() for column in columns), strict=True):
        places = alone[unit].places.setdefault(mark, [])
        if not any(abs(rise - place[0].real) <= near for place in places):
            places.append((complex(rise), 1.0, near))
    blocks = dict(zip(content_numbers(rises.unit, rises.rise, units).tolist(), alone, strict=True))
    known = np.flatnonzero(np.isfinite(rises.elevation))
    if held and len(known):
        near = CONTROL_TOLERANCE + 3.0 * rises.elevation_sd
        blocks[CONTROL] = Block(
            places={
                int(mark): [(complex(rises.elevation[mark]), CONTROL_WEIGHT, float(near[mark]))]
                for mark in known
            }
        )
    return blocks


def _loosest(growth: Growth) -> bool:
    """Join by wider tolerances, at last by the middle of what disagrees."""
    found = []
    for here, there in growth.pairs(1):
        fit = level_fit(LOOSE)(growth.blocks[here], growth.blocks[there])
        if fit is not None:
            found.append((fit.chance > 0.0, -fit.redundancy, fit.strain, here, there, fit))
    if not found:
        return False
    undecided, *_, here, there, fit = min(found, key=lambda entry: entry[:5])
    shift = fit.shift
    if undecided:
        _, mine, theirs, _, _ = shared_places(growth.blocks[here], growth.blocks[there])
        shift = complex(np.median((mine - theirs).real))
    growth.merge(here, there, 1.0 + 0.0j, shift)
    return True


def _state(growth: Growth, rises: Rises) -> HeightState:
    """Return the heights of all pieces; those without known heights start at 0 each."""
    zero, position = np.full(len(rises.levelled), np.nan), np.full(len(rises.elevation), np.nan)
    piece_unit = np.full(len(rises.levelled), -1)
    piece_mark = np.full(len(rises.elevation), -1)
    filled = [
        number
        for number, block in growth.blocks.items()
        if block.places or any(rises.levelled[unit] for unit in block.poses)
    ]
    order = sorted(filled, key=lambda n: (n != CONTROL, -len(growth.blocks[n].poses), n))
    for piece, number in enumerate(order):
        block = growth.blocks[number]
        for unit, (_, shift) in block.poses.items():
            zero[unit], piece_unit[unit] = shift.real, piece
        for mark in block.places:
            position[mark], piece_mark[mark] = block.best_place(mark)[0].real, piece
    return HeightState(zero, position, piece_unit, piece_mark)


def _settled(state: HeightState, rises: Rises, held: bool) -> HeightState:
    """Settle all pieces by least squares."""
    known = np.flatnonzero(np.isfinite(rises.elevation)) if held else np.zeros(0, np.int64)
    setup = np.concatenate([rises.unit, np.full(len(known), -1)])
    mark = np.concatenate([rises.mark, known])
    sighted = setup >= 0
    sd = np.concatenate([rises.sd, np.maximum(rises.elevation_sd[known], HEIGHT_NOISE)])
    scale = np.concatenate(
        [rises.tolerance, CONTROL_TOLERANCE + PLAIN + 3.0 * rises.elevation_sd[known]]
    )
    marks, number = np.unique(mark, return_inverse=True)
    ones = np.ones((len(mark), 1))

    def rows_at(now: HeightState) -> TieRows:
        below = np.where(sighted, now.zero[setup], 0.0)
        observed = np.concatenate([rises.rise, rises.elevation[known]])
        misfit = now.position[mark] - below - observed
        by_setup = np.where(sighted[:, None], -ones, 0.0)
        return TieRows(setup, number, by_setup, ones, misfit, sd, scale)

    def moved(now: HeightState, by_setup: FloatArray, by_mark: FloatArray) -> HeightState:
        position = now.position.copy()
        position[marks] += by_mark[:, 0]
        return HeightState(now.zero + by_setup[:, 0], position, now.piece_unit, now.piece_mark)

    return relax(state, rows_at, moved, len(rises.levelled), len(marks))


def gather_rises(
    ties: Ties,
    carried: tuple[BoolArray, FloatArray],
    levels: tuple[IntArray, IntArray, FloatArray, FloatArray],
    levelled: BoolArray,
    elevation: FloatArray,
    elevation_sd: FloatArray,
) -> Rises:
    """Put the rises of ties and level lines (start, end, difference, sd) into one table.

    ``levelled`` (S,) are the setups with zenith angles.
    """
    chosen, rise = np.flatnonzero(carried[0]), carried[1]
    start, end, difference, sd = levels
    lines = len(levelled) + np.arange(len(start))
    tied = ties.take(chosen)
    reach = np.nan_to_num(tied.horizontal, nan=100.0)
    none = np.zeros(len(start))
    return Rises(
        unit=np.concatenate([tied.setup, lines, lines]),
        mark=np.concatenate([tied.point, start, end]),
        rise=np.concatenate([rise[chosen], none, difference]),
        tolerance=np.concatenate(
            [PLAIN + tied.steep * reach, none + PLAIN / 2, PLAIN / 2 + SURE * sd]
        ),
        sd=np.concatenate([np.hypot(HEIGHT_NOISE, tied.sd[:, ZENITH] * reach), sd, sd]),
        levelled=np.concatenate([levelled, np.ones(len(start), dtype=np.bool_)]),
        elevation=elevation,
        elevation_sd=elevation_sd,
    )
