"""What each setup sees: its tie marks and its shots, as offsets from the instrument."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE
from tieup.reduce.grouping import rows_by_group
from tieup.ties.marks import MarkTies


@dataclass(frozen=True)
class View:
    """One setup: its k sighted tie marks and n shots of any kind.

    ``marks`` (k,) point numbers, ``offset`` (k, 2) N, E to them (m), ``sd`` (k, 2) of direction
    (rad) and distance (m), NaN where not observed. ``under`` is the tie mark it stands over, -1
    for none. ``shots`` (n, 2) offsets of everything sighted, ``work`` (m, 2) of what is no tie.
    ``redundancy`` (r,): numbers of its observations of ties and of its plumb line. ``tested``:
    how many ties are tested in plan and in height.
    """

    marks: IntArray
    offset: FloatArray
    sd: FloatArray
    under: int
    shots: FloatArray
    work: FloatArray
    redundancy: FloatArray
    tested: tuple[int, int]


def views_of(adjustment: Adjustment, ties: MarkTies) -> list[View]:
    """Return what every setup sees."""
    inside, aside = adjustment.connections, adjustment.aside.connections
    is_tie = np.zeros(len(adjustment.position), dtype=bool)
    is_tie[ties.point] = True
    sight = np.flatnonzero(~inside.plumb)
    setups = len(adjustment.axis)
    by_setup = rows_by_group(inside.setup[sight], setups)
    by_aside = rows_by_group(aside.setup, setups)
    by_tie = rows_by_group(ties.setup, setups)
    plumb_of = np.full(setups, -1)
    plumb_of[inside.setup[inside.plumb]] = np.flatnonzero(inside.plumb)
    views = []
    for s in range(setups):
        rows = sight[by_setup[s]]
        of_ties = rows[is_tie[inside.point[rows]]]
        marks, first = np.unique(inside.point[of_ties], return_index=True)
        chosen = of_ties[first]
        axis = adjustment.axis[s, :2]
        seen = np.concatenate([inside.point[rows], aside.point[by_aside[s]]])
        shots = adjustment.position[seen, :2] - axis
        own = [of_ties, plumb_of[s : s + 1]] if plumb_of[s] >= 0 else [of_ties]
        redundancy = adjustment.redundancy[np.concatenate(own)]
        stands = inside.point[plumb_of[s]] if plumb_of[s] >= 0 else -1
        mine = by_tie[s]
        tested = np.isfinite(ties.plan[mine]), np.isfinite(ties.difference[mine, 2])
        views.append(
            View(
                marks,
                adjustment.position[marks, :2] - axis,
                adjustment.sd[chosen][:, [DIRECTION, DISTANCE]],
                int(stands) if stands >= 0 and is_tie[stands] else -1,
                shots,
                shots[~is_tie[seen]],
                redundancy[np.isfinite(redundancy)],
                (int(tested[0].sum()), int(tested[1].sum())),
            )
        )
    return views
