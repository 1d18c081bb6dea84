"""Elevations typed by hand over a measured shot, told by recomputing them from the raw rows.

An offset that a whole setup shares is no typing: the field solved its station otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.row_lines import lines_of, points_of, some
from tieup.diagnose.basis.single_setup_fit import readings_of, row_places
from tieup.diagnose.basis.solve import Solved
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.finding_kinds import HAND_TYPED

OFF = 0.020  # m; a stored elevation further than this from the raw one is not rounding
ROUND, ROUNDED = 0.5, 0.0006  # a typed elevation ends in .00 or .50 of its unit
ENOUGH = 5  # shots of a setup that tell its own common offset
UP = 2


@dataclass(frozen=True)
class TypedRows:
    """Rows of one setup with typed elevations; ``off`` (m) stored minus raw, NaN without zenith."""

    rows: IntArray
    off: FloatArray


def typed_findings(fieldbook: Fieldbook, solved: Solved, phrases: Phrases) -> Iterator[Finding]:
    """Give the setups in which stored elevations were typed."""
    stored = fieldbook.shots.field_coordinates[:, UP]
    if np.isnan(stored).all():
        return
    raw = _raw_elevations(solved)
    shots = fieldbook.shots
    kept = np.isfinite(stored) & ~shots.repeated
    for setup in np.unique(shots.setup[kept]).tolist():
        found = _typed(
            np.flatnonzero(kept & (shots.setup == setup)), stored, raw, shots.zenith, phrases
        )
        if len(found.rows):
            yield _finding(fieldbook, setup, found, phrases)


def _raw_elevations(solved: Solved) -> FloatArray:
    """Return the elevation of every row from its own readings (m,), NaN where it has none."""
    case, adjustment = solved.case, solved.adjustment
    every = np.arange(len(case.shots))
    _, rise = row_places(case, every, readings_of(case, every))
    axis = adjustment.axis[case.shots.setup, UP] + solved.network.origin[UP]
    determined = solved.network.start.height_setup[case.shots.setup]
    return np.where(determined, axis + rise, np.nan)


def _typed(
    rows: IntArray, stored: FloatArray, raw: FloatArray, zenith: FloatArray, phrases: Phrases
) -> TypedRows:
    off = stored[rows] - raw[rows]
    measured = np.isfinite(off)
    common = float(np.median(off[measured])) if measured.sum() >= ENOUGH else 0.0
    off = off - common
    typed = measured & (np.abs(np.nan_to_num(off)) > OFF) & _ends_round(stored[rows], phrases)
    # Without a zenith angle nothing measured the elevation: somebody typed it.
    typed |= np.isnan(zenith[rows])
    return TypedRows(rows[typed], off[typed])


def _ends_round(stored: FloatArray, phrases: Phrases) -> BoolArray:
    value = stored / phrases.factor / ROUND
    return np.asarray(np.abs(value - np.rint(value)) * ROUND < ROUNDED)


def _finding(fieldbook: Fieldbook, setup: int, found: TypedRows, phrases: Phrases) -> Finding:
    label, points = fieldbook.setups[setup].label, points_of(fieldbook, found.rows)
    known = np.isfinite(found.off)
    size = float(found.off[known][np.argmax(np.abs(found.off[known]))]) if known.any() else None
    how = (
        f"up to {phrases.shift(size)} from what the readings give"
        if size is not None
        else "without a zenith angle behind them"
    )
    return HAND_TYPED.found(
        setup=label,
        points=points,
        lines=lines_of(fieldbook, found.rows),
        size=None if size is None else size / phrases.factor,
        unit="" if size is None else phrases.unit,
        says=f"In setup {label} stored elevations look typed ({some(points)}): {how}. The readings "
        "are used, stored elevations never.",
        confirm="Ask who typed them and why; shoot one of the points again.",
        cure="Nothing here: the elevations of this job come from the readings.",
    )
