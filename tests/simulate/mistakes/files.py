"""Mistakes of files and clocks: repeated, cut, unreadable, out of order (B30 to B32)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulate.mistakes.edit import changed, points_of, recorded, setup_of
from tests.simulate.survey import Damage, Survey, rearranged, with_shots
from tieup.model.arrays import IntArray


def repeated_rows(survey: Survey, rows: IntArray) -> Survey:
    """Export rows twice: each copy follows the last of the given rows, in the same cells."""
    rows = np.asarray(rows, dtype=np.int64)
    after = int(rows.max()) + 1
    order = np.concatenate([np.arange(after), rows, np.arange(after, len(survey))])
    copies = after + np.arange(len(rows))
    altered = rearranged(survey, order)
    repeated = altered.shots.repeated.copy()
    repeated[copies] = True
    return recorded(
        with_shots(altered, repeated=repeated),
        "repeated-row",
        copies,
        setup=setup_of(altered, copies),
        points=points_of(altered, copies),
    )


def truncated(survey: Survey, file: str, rows_kept: int) -> Survey:
    """Break the export of a file off in the zenith cell of the row after ``rows_kept``."""
    number = survey.files.index(file)
    inside = np.flatnonzero(survey.shots.file == number)
    if not 0 < rows_kept < len(inside):
        raise ValueError(f"{file} has {len(inside)} rows")
    lost = inside[rows_kept + 1 :]
    altered = rearranged(survey, np.setdiff1d(np.arange(len(survey)), lost))
    torn = np.array([inside[rows_kept]])
    damage = {**altered.damage, int(torn[0]): Damage("the row breaks off", torn="zenith")}
    altered = replace(altered, damage=damage)
    return recorded(altered, "truncated", torn, setup=setup_of(altered, torn))


def unreadable(survey: Survey, row: int, column: str, cell: str) -> Survey:
    """Spoil one cell so that its row cannot be read; the record's kind is "invalid"."""
    rows = np.array([row])
    damage = {**survey.damage, row: Damage(f"{column} {cell!r}", cells={column: cell})}
    return recorded(
        replace(survey, damage=damage),
        "invalid",
        rows,
        setup=setup_of(survey, rows),
        points=points_of(survey, rows),
    )


def clock_changed(survey: Survey, rows: IntArray, seconds: float) -> Survey:
    """Set the clock of rows ``seconds`` ahead (negative: back)."""
    time = survey.shots.time
    altered = with_shots(survey, time=changed(time, rows, time[rows] + seconds))
    return recorded(
        altered, "time-order", rows, setup=setup_of(survey, rows), size=seconds, unit="s"
    )


def no_closing_backsight(survey: Survey, setup: str) -> Survey:
    """Pick up the legs without the closing check."""
    closing = survey.rows(setup, role="check")
    altered = rearranged(survey, np.setdiff1d(np.arange(len(survey)), closing))
    return recorded(altered, "no-closing-backsight", setup=setup)
