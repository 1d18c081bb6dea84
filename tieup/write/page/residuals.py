"""What the residual plots are drawn from: standardised residuals of everything in use."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.model.observations import COMPONENT, DISTANCE, KINDS, LEVEL_DISTANCE
from tieup.model.reconciliation import Table

OUTLYING = 3.0  # residuals beyond this many sds are always drawn


@dataclass(frozen=True)
class Residuals:
    """Residuals over their own sd, k of them, with what they may depend on.

    ``kind`` indexes `KINDS`. ``distance`` is in the job's length unit, ``time`` in hours
    since midnight of the first day; NaN where unknown. ``setup`` indexes ``setups``.
    """

    w: FloatArray
    kind: IntArray
    distance: FloatArray
    time: FloatArray
    setup: IntArray
    setups: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.w)

    def part(self, chosen: IntArray) -> Residuals:
        """Return some of the residuals."""
        return Residuals(
            self.w[chosen],
            self.kind[chosen],
            self.distance[chosen],
            self.time[chosen],
            self.setup[chosen],
            self.setups,
        )


def residuals_of(observations: Table, starts: IntArray) -> Residuals:
    """Return the residuals of used observations that anything checks.

    ``starts`` says where each raw row begins in the table.
    """
    w = np.asarray(observations["w"], dtype=np.float64)
    chosen = np.isfinite(w) & (np.asarray(observations["status"]) == "used")
    chosen &= np.isin(
        np.asarray(observations["kind"]).astype(str), list(COMPONENT)
    )  # no runs, no tapes
    rows = np.flatnonzero(chosen)
    kinds = [COMPONENT[kind] for kind in np.asarray(observations["kind"])[rows].tolist()]
    names, setup = _numbered(np.asarray(observations["setup"], dtype=object)[rows])
    return Residuals(
        w=w[rows],
        kind=np.array(kinds, dtype=np.int64),
        distance=_distances(observations, starts)[rows],
        time=_hours(observations, rows),
        setup=setup,
        setups=names,
    )


def thin(w: FloatArray, most: int) -> IntArray:
    """Return which residuals to draw, about ``most``: the outlying ones, of others each n-th."""
    if len(w) <= most:
        return np.arange(len(w))
    outlying = np.abs(w) > OUTLYING
    usual, odd = np.flatnonzero(~outlying), np.flatnonzero(outlying)[:most]
    step = -(-len(usual) // max(most - len(odd), most // 2))
    return np.sort(np.concatenate([odd, usual[::step]]))


def _numbered(names: TextArray) -> tuple[tuple[str, ...], IntArray]:
    """Number names in the order in which they first come up."""
    order = {name: number for number, name in enumerate(dict.fromkeys(names.tolist()))}
    return tuple(map(str, order)), np.array([order[n] for n in names.tolist()], dtype=np.int64)


def _distances(observations: Table, starts: IntArray) -> FloatArray:
    """Return for each observation the distance of its raw row, NaN where it has none."""
    kind, observed = np.asarray(observations["kind"]), np.asarray(observations["observed"])
    far = np.flatnonzero(np.isin(kind.astype(str), [KINDS[DISTANCE], LEVEL_DISTANCE]))
    row = np.zeros(len(kind), dtype=np.int64)
    row[starts[1:]] = 1
    row = np.cumsum(row)
    by_row = np.full(len(starts), np.nan)
    by_row[row[far]] = [float(value) if value != "" else np.nan for value in observed[far].tolist()]
    return by_row[row]


def _hours(observations: Table, rows: IntArray) -> FloatArray:
    """Return the times as hours since midnight of the first day, NaN where there are none."""
    hours = np.full(len(rows), np.nan)
    if "time" not in observations:
        return hours
    texts = np.asarray(observations["time"], dtype=object)[rows].tolist()
    moments = [_moment(text) for text in texts]
    known = [moment for moment in moments if moment is not None]
    if not known:
        return hours
    midnight = min(known).replace(hour=0, minute=0, second=0, microsecond=0)
    for number, moment in enumerate(moments):
        if moment is not None:
            hours[number] = (moment - midnight).total_seconds() / 3600.0
    return hours


def _moment(text: str) -> datetime | None:
    """Read an ISO 8601 time as the clock on site showed it; None where it is none."""
    try:
        return datetime.fromisoformat(text).replace(tzinfo=None)
    except (TypeError, ValueError):
        return None
