"""One row for each setup: what it did, as far as its raw rows tell."""

from __future__ import annotations

import numpy as np

from tieup.audit.raw_evidence import RawEvidence
from tieup.geometry import ARC_SECOND
from tieup.model.arrays import FloatArray, IntArray, distinct_pairs
from tieup.model.reconciliation import Table
from tieup.reduce.rounds import pairs_of_setups
from tieup.sentences import listed

RUNS = 6  # target heights of a setup that are written out


def setups_overview(evidence: RawEvidence, length: float) -> Table:
    """Return the table of setups in recorded order; ``length`` is the job's unit in metres.

    ``target_heights`` are those in force, in shooting order, each with its number of shots;
    ``collimation`` and ``vertical_index`` in arc seconds; ``first`` and ``last`` in ISO 8601.
    """
    book, shots = evidence.fieldbook, evidence.fieldbook.shots
    count, setups = len(book.setups), book.setups
    kept = np.flatnonzero(~shots.repeated)
    rows = _rows_by_setup(kept, shots.setup, count)
    heights = [_runs(shots.target_height[own] / length) for own in rows]
    times = [_span(shots.time[own]) for own in rows]
    pairs = pairs_of_setups(evidence.face_pairs, count)
    axes = 0.5 * pairs.mean / ARC_SECOND
    return {
        "setup": np.array(evidence.setups, dtype=object),
        "station": np.array([setup.station for setup in setups], dtype=object),
        "instrument_height": np.array(
            [s.instrument_height / length if s.station else np.nan for s in setups]
        ),
        "rows": np.array([len(own) for own in rows]),
        "points": _distinct(shots.setup[kept], shots.point[kept], count),
        "marks": _marks(evidence),
        "rounds": _distinct(shots.setup[kept], shots.round[kept], count),
        "face_pairs": pairs.count[:, 0],
        "collimation": axes[:, 0],
        "vertical_index": axes[:, 1],
        "closing": np.bincount(evidence.closings.setup, minlength=count),
        "target_heights": np.array(heights, dtype=object),
        "first": np.array([first for first, _ in times], dtype=object),
        "last": np.array([last for _, last in times], dtype=object),
    }


def _rows_by_setup(kept: IntArray, setup: IntArray, count: int) -> list[IntArray]:
    order = kept[np.argsort(setup[kept], kind="stable")]
    return np.split(order, np.searchsorted(setup[order], np.arange(1, count)))


def _distinct(group: IntArray, value: IntArray, groups: int) -> IntArray:
    """Count the distinct values of each group."""
    return np.bincount(distinct_pairs(group, value)[0][:, 0], minlength=groups)


def _marks(evidence: RawEvidence) -> IntArray:
    setup, point = evidence.looks
    return np.bincount(setup[evidence.shared[point]], minlength=len(evidence.setups))


def _runs(heights: FloatArray) -> str:
    """Write heights that follow one another: "1.600 x 58, 1.800 x 2"."""
    if not len(heights):
        return ""
    starts = np.flatnonzero(np.diff(heights, prepend=np.nan) != 0.0)
    sizes = np.diff(starts, append=len(heights))
    runs = list(zip(heights[starts].tolist(), sizes.tolist(), strict=True))
    return listed([f"{height:.3f} x {size}" for height, size in runs], RUNS)


def _span(time: FloatArray) -> tuple[str, str]:
    known = time[np.isfinite(time)]
    if not len(known):
        return "", ""
    ends = np.array([known.min(), known.max()]).astype("datetime64[s]")
    first, last = np.datetime_as_string(ends).tolist()
    return first, last
