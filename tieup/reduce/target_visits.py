"""Visits: a target is set up as often as it is set up.

Readings that follow one another on one mark at one booked height, in both faces or repeated, are
one visit: one centring error and one height error of the target. A later look at the mark, with
another mark in between, is a new visit, unless it is known that the target stood there.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.settings import StandingTargets


def shooting_order(shots: Shots) -> FloatArray:
    """Return a number (m,) that grows in each setup with the order in which it was shot.

    By the clock where every row of the setup has a time, else as recorded.
    """
    untimed = np.unique(shots.setup[np.isnan(shots.time)])
    recorded = np.arange(len(shots), dtype=np.float64)
    return np.where(np.isin(shots.setup, untimed), recorded, shots.time)


def setup_times(shots: Shots, setups: int) -> FloatArray:
    """Return the time of each of ``setups`` (S,): its mean shot time, or its place in the book."""
    if np.isnan(shots.time).any():
        return np.arange(setups, dtype=np.float64)
    count = np.maximum(np.bincount(shots.setup, minlength=setups), 1)
    total = np.bincount(shots.setup, weights=shots.time, minlength=setups)
    return np.asarray(total / count)


def number_looks(shots: Shots) -> IntArray:
    """Number what was looked at (m,): a mark from a setup, at one height, with one target.

    Horizontal distances and azimuths are looks of their own: they are other observations.
    """
    height = np.round(shots.target_height * 1e5).astype(np.int64)
    target = np.unique(shots.target.astype(str), return_inverse=True)[1].reshape(-1)
    keys = np.column_stack(
        [shots.setup, shots.point, height, target, 2 * shots.azimuth + shots.level]
    )
    order = np.lexsort(keys.T[::-1])
    new = np.ones(len(order), dtype=bool)
    new[1:] = (keys[order][1:] != keys[order][:-1]).any(axis=1)
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.cumsum(new) - 1
    return number


def number_visits(shots: Shots, look: IntArray, standing: StandingTargets) -> IntArray:
    """Number the visits (m,), in order of setup, point, height, target and time.

    ``look`` (m,) is from `number_looks`; ``standing`` says which targets are set up but once.
    """
    run = number_runs(shots, look)
    run[_stands(shots, standing)] = 0
    keys = look * (int(run.max(initial=0)) + 1) + run
    return np.asarray(np.unique(keys, return_inverse=True)[1].reshape(-1), dtype=np.int64)


def number_runs(shots: Shots, look: IntArray) -> IntArray:
    """Number the runs of shots (m,) that follow one another at one ``look`` (m,), in time.

    A look is of one setup. Shots that are left out as copies have run 0.
    """
    rows = np.flatnonzero(~shots.repeated)
    rows = rows[np.lexsort((rows, shooting_order(shots)[rows], shots.setup[rows]))]
    run = np.zeros(len(shots), dtype=np.int64)
    change = np.ones(len(rows), dtype=np.int64)
    change[1:] = look[rows][1:] != look[rows][:-1]
    run[rows] = np.cumsum(change)
    return run


def runs_at_marks(shots: Shots) -> IntArray:
    """Number the runs of shots (m,) of one setup at one mark, whatever the height or the face."""
    return number_runs(shots, shots.setup * (int(shots.point.max(initial=0)) + 1) + shots.point)


def _stands(shots: Shots, standing: StandingTargets) -> BoolArray:
    if standing.in_setups or standing.everywhere:
        return np.ones(len(shots), dtype=bool)
    return np.isin(shots.point, sorted(standing.points))
