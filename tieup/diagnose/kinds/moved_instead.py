"""A sight at the end of a mark's day may say that the mark moved: the readings are the same.

Only who saw the mark both before and after can tell the two apart. What says that the first or
the last look at a mark was of another place says as well that the mark went there.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.kinds.mark_moved import MARK_MOVED
from tieup.diagnose.kinds.occupations import STATION_NAME
from tieup.diagnose.kinds.point_name import BACKSIGHT, POINT_NAME
from tieup.model.arrays import FloatArray, IntArray
from tieup.reduce.target_visits import setup_times, shooting_order

ELSEWHERE = (POINT_NAME.name, BACKSIGHT.name, STATION_NAME.name)
"""Kinds by which a setup shot, or stood over, another place than that of the mark."""


def with_moved_mark(case: Case, mistake: Mistake) -> Mistake:
    """Return a mistake with the move of its mark as a rival, where the readings cannot tell.

    It stands behind the first cause that it has the readings in common with.
    """
    if mistake.instead:
        return mistake
    causes: tuple[Mistake | RivalCause, ...] = (mistake, *mistake.rivals)
    for place, one in enumerate(causes):
        told = isinstance(one, RivalCause) and one.separable
        if told or not _at_an_end(case, one):
            continue
        if any((r.kind, r.points) == (MARK_MOVED.name, one.points) for r in mistake.rivals):
            return mistake
        moved = MARK_MOVED.rival("", one.points, one.statistic)
        rivals = (*mistake.rivals[:place], moved, *mistake.rivals[place:])
        return replace(mistake, rivals=rivals)
    return mistake


def _at_an_end(case: Case, one: Mistake | RivalCause) -> bool:
    """Say whether what a cause says was seen before, or after, all else that saw its mark.

    A listed mark was seen by who listed it, before all others.
    """
    if one.kind not in ELSEWHERE:
        return False
    cause = one.cause or one if isinstance(one, RivalCause) else one
    own, seen = _own(case, cause), _others(case, cause)
    if not (own and seen):
        return False
    return min(own) > max(seen) or (max(own) < min(seen) and not _listed(case, one.points[0]))


Moment = tuple[float, float]
"""When something was seen: the time of its setup, and the order in it."""


def _own(case: Case, one: Mistake | RivalCause) -> list[Moment]:
    """Return when a cause was seen: its shots, or when its setup stood over the mark."""
    if isinstance(one, Mistake) and len(one.rows):
        return _shots(case, one.rows)
    return [moment for label, moment in _occupations(case, one.points[0]) if label == one.setup]


def _others(case: Case, one: Mistake | RivalCause) -> list[Moment]:
    """Return when else the mark of a cause was shot or stood over."""
    name = one.points[0]
    rows = np.zeros(0, dtype=np.int64)
    if name in case.points:
        at = (case.shots.point == case.points.index(name)) & ~case.shots.repeated
        rows = np.flatnonzero(at & case.use.any(axis=1))
    if isinstance(one, Mistake):
        rows = np.setdiff1d(rows, one.rows)
    stood = [moment for label, moment in _occupations(case, name) if label != one.setup]
    return _shots(case, rows) + stood


def _shots(case: Case, rows: IntArray) -> list[Moment]:
    time, order = _times(case)[case.shots.setup[rows]], shooting_order(case.shots)[rows]
    return list(zip(time.tolist(), order.tolist(), strict=True))


def _occupations(case: Case, name: str) -> list[tuple[str, Moment]]:
    """Return which setups stood over a mark, and when: before all that they shot."""
    times = _times(case)
    stood = [(n, setup.label) for n, setup in enumerate(case.booked) if setup.station == name]
    return [(label, (float(times[n]), -np.inf)) for n, label in stood]


def _times(case: Case) -> FloatArray:
    return setup_times(case.shots, len(case.setups))


def _listed(case: Case, name: str) -> bool:
    """Say whether the place of a mark is known from the list."""
    given = case.given
    if given is None or name not in given.names:
        return False
    return bool(np.isfinite(given.coordinates[given.names.index(name), :2]).all())
