"""Which further sights to try: every setup with every mark of the plan within reach.

Nobody has said what can be seen: a candidate is what the numbers ask for, and the crew looks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Setup
from tieup.model.observations import Sights
from tieup.model.settings import Precision
from tieup.preanalysis.scheme import Scheme, places_of
from tieup.reduce.distances import instrument_of

# Common practice, no source, all of them.
REACH = 1.5  # times the longest sight of the plan
NEAREST = 2.0  # m; a mark nearer than this is under the legs
MOST_SETUPS, MOST_MARKS = 150, 300  # of a very large site: those nearest to its weakest mark


@dataclass(frozen=True)
class Candidates:
    """Further sights that could be shot; ``away`` (k,) is their horizontal length in m."""

    setup: IntArray
    point: IntArray
    away: FloatArray

    def __len__(self) -> int:
        return len(self.setup)


@dataclass(frozen=True)
class Area:
    """The setups and marks among which further sights are looked for."""

    setups: IntArray
    marks: IntArray


def search_area(scheme: Scheme, adjustment: Adjustment, wanted: BoolArray, weakest: int) -> Area:
    """Return all setups and marks of a plan, of a very large one those round its weakest mark.

    Marks are those ``wanted`` (P,) and control that nobody has sighted yet.
    """
    known = np.zeros(len(scheme.points), dtype=np.bool_)
    if scheme.control is not None:
        number = {name: i for i, name in enumerate(scheme.points)}
        complete: BoolArray = np.asarray(np.isfinite(scheme.control.coordinates).all(axis=1))
        rows = zip(scheme.control.names, complete.tolist(), strict=True)
        known[[number[name] for name, whole in rows if whole]] = True
    place, axis = places_of(scheme, adjustment)
    marks = np.flatnonzero((wanted | known) & np.isfinite(place[:, 0]))
    setups = np.flatnonzero(np.isfinite(axis[:, 0]))
    middle = place[weakest, :2]
    return Area(
        _nearest(setups, axis[setups, :2] - middle, MOST_SETUPS),
        _nearest(marks, place[marks, :2] - middle, MOST_MARKS),
    )


def _nearest(numbers: IntArray, offset: FloatArray, most: int) -> IntArray:
    if len(numbers) <= most:
        return numbers
    order = np.argsort(np.nan_to_num(np.hypot(offset[:, 0], offset[:, 1])), kind="stable")
    return np.sort(numbers[order[:most]])


def find_candidates(scheme: Scheme, adjustment: Adjustment, area: Area, reach: float) -> Candidates:
    """Return every pair of the area within ``reach`` (m) that is not sighted yet."""
    place, axis = places_of(scheme, adjustment)
    offset = place[area.marks, :2][None, :, :] - axis[area.setups, :2][:, None, :]
    away = np.hypot(offset[..., 0], offset[..., 1])
    station = adjustment.problem.network.station[area.setups]
    points = len(scheme.points)
    taken = set((scheme.sights.setup * points + scheme.sights.point).tolist())
    key = area.setups[:, None] * points + area.marks
    open_ = ~np.isin(key, list(taken)) & (station[:, None] != area.marks)
    row, column = np.nonzero(open_ & (away >= NEAREST) & (away <= reach))
    return Candidates(area.setups[row], area.marks[column], away[row, column])


def candidate_sights(scheme: Scheme, candidates: Candidates) -> Sights:
    """Return candidates as sights, measured as the setup's other sights are.

    Pointings, kinds and target height are those of the setup's sight with the most pointings.
    """
    return sights_like_others(scheme.sights, scheme.setups, scheme.precision, candidates)


def like_others(sights: Sights, setups: int) -> IntArray:
    """Return the sight of each setup (S,) with the most pointings, of all where it has none."""
    order = np.lexsort((np.arange(len(sights)), sights.count.sum(axis=1)))
    like = np.full(setups, order[-1] if len(order) else 0)
    like[sights.setup[order]] = order
    return like


def sights_like_others(
    sights: Sights, setups: tuple[Setup, ...], precision: Precision, candidates: Candidates
) -> Sights:
    """Return candidates as sights, measured as the ``sights`` of their setups are."""
    gear = instrument_of(setups, precision)
    row = like_others(sights, len(setups))[candidates.setup]
    pointing = np.array(
        [(g.direction, g.zenith, g.distance_constant, g.distance_ppm * 1e-6) for g in gear]
    )[candidates.setup]
    pointing[:, 2] += pointing[:, 3] * candidates.away
    return Sights(
        setup=candidates.setup,
        point=candidates.point,
        target_height=sights.target_height[row],
        value=np.where(np.isfinite(sights.value[row]), 0.0, np.nan),
        count=sights.count[row],
        pointing_sd=pointing[:, :3],
        common_sd=sights.common_sd[row],
        level=sights.level[row],
        azimuth=sights.azimuth[row],
        basis=sights.basis[row],
    )


def joined(first: Sights, second: Sights) -> Sights:
    """Return the sights of both."""
    return Sights(
        **{
            name: np.concatenate([column, getattr(second, name)])
            for name, column in vars(first).items()
        }
    )
