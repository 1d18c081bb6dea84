"""Visits: the pointings that follow one another on one point, in both faces or one.

A setup that shoots its backsight, then sixty side shots, then the backsight again has visited
it twice. What changed between the visits is the instrument (or the pole), so visits are the
raw material of every check of a setup against itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Pointings, Sights


@dataclass(frozen=True)
class Visits:
    """Visits v, ordered by setup, then as recorded; NaN where not observed.

    ``setup``, ``point`` (v,) in the numbering of the network. ``direction`` (rad), ``zenith``
    (rad), ``distance`` (m): means of the corrected pointings (v,), ``count`` (v, 3) how many.
    ``sd`` (v, 3): sds of those means from pointing alone. ``rise`` (v,): height of the mark over
    the axis (m). ``time`` (v,): mean, s. ``first_row`` (v,): the first of its raw rows.
    """

    setup: IntArray
    point: IntArray
    direction: FloatArray
    zenith: FloatArray
    distance: FloatArray
    count: IntArray
    sd: FloatArray
    rise: FloatArray
    time: FloatArray
    first_row: IntArray

    def __len__(self) -> int:
        return len(self.setup)


def find_visits(shots: Shots, pointings: Pointings, sights: Sights) -> Visits:
    """Group the used pointings of every setup into visits."""
    rows = np.flatnonzero(pointings.sight >= 0)
    setup, point = sights.setup[pointings.sight[rows]], sights.point[pointings.sight[rows]]
    order = np.lexsort((rows, _recorded(shots.time[rows], setup), setup))
    rows, setup, point = rows[order], setup[order], point[order]
    new = np.ones(len(rows), dtype=bool)
    new[1:] = (setup[1:] != setup[:-1]) | (point[1:] != point[:-1])
    visit, first = np.cumsum(new) - 1, np.flatnonzero(new)
    corrected = pointings.corrected[rows].copy()
    start = corrected[first, DIRECTION][visit]
    corrected[:, DIRECTION] = start + wrap_half(corrected[:, DIRECTION] - start)
    mean, count = _means(corrected, visit, len(first))
    sd = sights.pointing_sd[pointings.sight[rows[first]]] / np.sqrt(np.maximum(count, 1))
    rise = corrected[:, DISTANCE] * np.cos(corrected[:, ZENITH]) - shots.target_height[rows]
    return Visits(
        setup[first],
        point[first],
        mean[:, DIRECTION],
        mean[:, ZENITH],
        mean[:, DISTANCE],
        count,
        np.where(count > 0, sd, np.nan),
        _means(rise[:, None], visit, len(first))[0][:, 0],
        _means(shots.time[rows][:, None], visit, len(first))[0][:, 0],
        rows[first],
    )


def _recorded(time: FloatArray, setup: IntArray) -> FloatArray:
    """Return what orders the rows of a setup: its clock where every row has one, else nothing."""
    incomplete = np.unique(setup[~np.isfinite(time)])
    return np.where(np.isin(setup, incomplete), 0.0, time)


def _means(values: FloatArray, group: IntArray, groups: int) -> tuple[FloatArray, IntArray]:
    """Return means and counts (groups, k) of the finite values (r, k) of each group."""
    mean = np.full((groups, values.shape[1]), np.nan)
    count = np.zeros((groups, values.shape[1]), dtype=np.int64)
    for k in range(values.shape[1]):
        known = np.isfinite(values[:, k])
        count[:, k] = np.bincount(group[known], minlength=groups)
        total = np.bincount(group[known], weights=values[known, k], minlength=groups)
        some = count[:, k] > 0
        mean[some, k] = total[some] / count[some, k]
    return mean, count
