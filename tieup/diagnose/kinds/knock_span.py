"""When was an instrument knocked? Only looks at marks tell; what is shot between may be of either.

A knock is seen at the first look at a mark after it. Side shots since the last look before are of
the instrument as it stood, or of the knocked one: both are told, as rivals, and no side wins.
Where the last look at a mark is off in direction the pointing may be wrong, or the circle was
turned since the look before; then side shots after it are turned too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.kinds.movements import INSTRUMENT_MOVED, ONE_LOOK
from tieup.diagnose.kinds.readings import DIRECTION_READING
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.reduce.target_visits import shooting_order


def with_span(case: Case, mistake: Mistake) -> Mistake:
    """Return a knock, or a direction off at the end, with what it may be as well.

    ``case`` is the one before anything was taken out.
    """
    if not len(mistake.rows):
        return mistake
    if mistake.kind == INSTRUMENT_MOVED.name:
        return _with_rival(case, mistake, _between(case, mistake.rows), "")
    if mistake.kind == DIRECTION_READING.name and len(mistake.size) == 1:
        return _with_rival(case, mistake, _since(case, mistake.rows), ONE_LOOK)
    return mistake


def _with_rival(case: Case, mistake: Mistake, between: IntArray, detail: str) -> Mistake:
    """Put a knock before the first of some shots in front of the rivals, where there are any."""
    if not len(between):
        return mistake
    points, name = (case.points[int(case.shots.point[between[0]])],), INSTRUMENT_MOVED.name
    cause = replace(mistake, kind=name, points=points, rows=between, rivals=(), detail=detail)
    knock = RivalCause(name, mistake.setup, points, mistake.statistic, separable=False, cause=cause)
    others = tuple(r for r in mistake.rivals if (r.kind, r.setup) != (name, mistake.setup))
    return replace(mistake, rivals=(knock, *others))


def _between(case: Case, after: IntArray) -> IntArray:
    """Return the shots of a setup between ``after`` and the last look at a mark before it."""
    own, order, ties = _setup(case, after)
    first = order[after].min()
    before = ties[order[ties] < first]
    since = order[before].max() if len(before) else -np.inf
    return np.asarray(own[(order[own] > since) & (order[own] < first)])


def _since(case: Case, look: IntArray) -> IntArray:
    """Return all shots from the look before the last one on, where side shots are among them."""
    own, order, ties = _setup(case, look)
    others = ties[~np.isin(ties, look)]
    if not len(others) or (order[others] > order[look].max()).any():
        return np.zeros(0, dtype=np.int64)
    since = own[order[own] > order[others].max()]
    return since if len(np.setdiff1d(since, look)) else np.zeros(0, dtype=np.int64)


def _setup(case: Case, rows: IntArray) -> tuple[IntArray, FloatArray, IntArray]:
    """Return the rows of a setup in order, the order of all rows (m,), and those to marks."""
    shots = case.shots
    order = shooting_order(shots)
    mine = (shots.setup == shots.setup[rows[0]]) & ~shots.repeated & case.use.any(axis=1)
    own = np.flatnonzero(mine)
    own = own[np.argsort(order[own], kind="stable")]
    return own, order, own[_tying(case)[shots.point[own]]]


def _tying(case: Case) -> BoolArray:
    """Return the points (P,) that several setups saw or stood over, or that the list holds."""
    shots = case.shots
    pairs = np.unique(np.column_stack([shots.point, shots.setup]), axis=0)
    many = np.bincount(pairs[:, 0], minlength=len(case.points))
    for setup in case.booked:
        if setup.station:
            many[case.points.index(setup.station)] += 1
    listed = () if case.given is None else case.given.names
    many[[case.points.index(name) for name in listed if name in case.points]] += 2
    return np.asarray(many > 1)
