"""What an unnoticed mistake could do on a large site: each sight to its own mark and setup.

A mistake in one sight moves the mark and the setup at its two ends most. What it does there
comes from the covariances that the selected inverse gives, without solving for every mistake:

    F c = Q_end,setup A_setup' P c + Q_end,mark A_mark' P c
"""

from __future__ import annotations

import numpy as np

from tieup.adjust.guards import MOVES, OPEN
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION


def local_hidden(adjustment: Adjustment, quantile: float) -> FloatArray:
    """Return the bound (P + S, 2) of every mark and instrument, plan and height in m.

    ``quantile``: how many sds of a mistake's size the bound lies beyond its estimate.
    """
    points, setups = len(adjustment.position), len(adjustment.axis)
    hidden = np.full((points + setups, 2), -np.inf)
    connections = adjustment.connections
    by_mark, by_setup = _effects(adjustment)
    every = np.arange(len(connections))
    for effect, ends in ((by_mark, connections.point), (by_setup, points + connections.setup)):
        for column, parts in enumerate((slice(0, 2), slice(2, 3))):
            largest = _largest(adjustment, effect[:, parts], quantile, every)
            np.maximum.at(hidden[:, column], ends, largest)
    hidden[np.isneginf(hidden)] = np.inf
    return hidden


def pose_bounds(
    adjustment: Adjustment, setups: IntArray, away: FloatArray, quantile: float
) -> FloatArray:
    """Return the bound (n, 2) of each of ``setups`` (n,) at a place ``away`` (n, 2) from it.

    ``away`` is N and E in m; a mistake in a setup's own sights is what is bounded.
    """
    place, sight = _sights_of(adjustment.connections.setup, setups)
    _, change = _effects(adjustment)
    arm = np.stack([-away[place, 1], away[place, 0]], axis=1)
    change = change[sight]
    plan = change[:, :2] + arm[:, :, None] * change[:, 3:]
    bound = np.zeros((len(setups), 2))
    for column, effect in enumerate((plan, change[:, 2:3])):
        largest = _largest(adjustment, effect, quantile, sight)
        np.maximum.at(bound[:, column], place, largest)
    return bound


def _sights_of(setup: IntArray, setups: IntArray) -> tuple[IntArray, IntArray]:
    """Return the connections of each of ``setups`` (n,): whose it is (k,), and its number (k,)."""
    order = np.argsort(setup, kind="stable")
    first = np.searchsorted(setup[order], setups)
    count = np.searchsorted(setup[order], setups, side="right") - first
    place = np.repeat(np.arange(len(setups)), count)
    within = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
    return place, order[first[place] + within]


def _largest(
    adjustment: Adjustment, effect: FloatArray, quantile: float, sight: IntArray
) -> FloatArray:
    """Return the largest bound (k,) over the readings of each connection ``sight`` (k,)."""
    size, sd, shown = (part[sight] for part in _sizes(adjustment))
    one = np.linalg.norm(effect, axis=1)
    with np.errstate(invalid="ignore"):
        bound = one * (np.abs(size) + quantile * sd)
        open_ = np.where(one * adjustment.sd[sight] > MOVES, np.inf, 0.0)
        bound = np.where(shown, bound, open_)
    return np.asarray(np.nan_to_num(bound, nan=0.0, posinf=np.inf).max(axis=1))


def _sizes(adjustment: Adjustment) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return the estimate of a mistake in each reading (c, 3), its sd, and whether it shows."""
    noise = adjustment.noise
    information = noise.information(adjustment.leverage)
    score = -noise.weighed(adjustment.whitened)
    with np.errstate(invalid="ignore"):
        shown: BoolArray = information * adjustment.sd**2 > OPEN
    with np.errstate(divide="ignore", invalid="ignore"):
        return score / information, information**-0.5, shown


def _effects(adjustment: Adjustment) -> tuple[FloatArray, FloatArray]:
    """Return what one unit of each reading does to its mark (c, 3, 3) and setup (c, 4, 3).

    Components N, E, H (m) and turn (rad) first, readings last.
    """
    connections, rows, noise = adjustment.connections, adjustment.rows, adjustment.noise
    cross, transfer = adjustment.mark_setup, adjustment.transfer
    setup, point = connections.setup, connections.point
    if transfer.motions.count:
        moved = transfer.motions.point[point] @ transfer.setup[setup].transpose(0, 2, 1)
        moved += transfer.point[point] @ transfer.motions.setup[setup].transpose(0, 2, 1)
        cross = cross - moved
    by_setup = np.concatenate([-rows.by_place, np.zeros((len(point), 3, 1))], axis=2)
    by_setup[:, DIRECTION, 3] = -np.where(connections.turning, noise.scale[:, DIRECTION], 0.0)
    across, along = by_setup.transpose(0, 2, 1), rows.by_place.transpose(0, 2, 1)
    mark = np.nan_to_num(adjustment.point_covariance[point])
    own = np.nan_to_num(adjustment.setup_covariance[setup])
    whitened = noise.whitened(np.broadcast_to(np.eye(3), (len(point), 3, 3)))
    to_mark = cross @ across + mark @ along
    to_setup = own @ across + cross.transpose(0, 2, 1) @ along
    bases = adjustment.system.border.bases
    for total, ends, by_turn in (
        (to_mark, point[bases.rows], adjustment.with_turns.mark),
        (to_setup, setup[bases.rows], adjustment.with_turns.setup),
    ):
        total[bases.rows, :, DIRECTION] += by_turn[ends, :, bases.basis] * rows.by_turn[:, None]
    return to_mark @ whitened, to_setup @ whitened
