"""Questions to the factor that touch a few sights each, asked many at a time.

With C the columns of one alternative, U = A'C and R = I - A Q A', what the test needs is
C'RC = C'C - U'Q U. C has rows at a few connections only, so U has a few setups and marks,
and the product is taken there alone; a full C over the whole site would be carried about
for nothing. The same goes for the joint covariance F Q F' of a few points.

In a very large job not every question can be afforded: `affordable` says how many columns.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.elimination import solve_marks
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.threads import one_thread

WORK = 4e6  # numbers that the questions of one kind may move through the factor
LEAST = 60  # columns that are always afforded
BATCH = 4e5  # numbers moved at once


@dataclass(frozen=True)
class Columns:
    """Columns of one alternative: at connections ``rows`` (n,) the values (n, 3, h), whitened."""

    rows: IntArray
    values: FloatArray

    @property
    def count(self) -> int:
        """Return the number of columns h."""
        return int(self.values.shape[2])


@dataclass(frozen=True)
class Test:
    """``whole`` C'C, ``kept`` C'RC (h, h) and ``push`` -C'v (h,) of one alternative."""

    whole: FloatArray
    kept: FloatArray
    push: FloatArray


@dataclass(frozen=True)
class _Touched:
    """U = A'C of one alternative where it is not 0: at setups (s,) and marks (m,)."""

    setups: IntArray
    marks: IntArray
    by_setup: FloatArray
    by_mark: FloatArray


def affordable(adjustment: Adjustment) -> int:
    """Return how many columns of one kind of question a run may ask."""
    return int(max(WORK / _size(adjustment), LEAST))


def place_columns(adjustment: Adjustment, rows: IntArray) -> Columns:
    """Return the shift N, E, H (m) of the mark of connections ``rows``, as they see it."""
    return Columns(rows, adjustment.rows.by_place[rows])


def local_tests(adjustment: Adjustment, alternatives: Sequence[Columns]) -> list[Test]:
    """Return what the factor says of each alternative."""
    touched = [_touched(adjustment, columns) for columns in alternatives]
    misclosure = -adjustment.whitened
    tests = []
    for columns, spread in zip(alternatives, _spreads(adjustment, touched), strict=True):
        values = columns.values.reshape(-1, columns.count)
        whole = values.T @ values
        push = values.T @ misclosure[columns.rows].reshape(-1)
        tests.append(Test(whole, whole - spread, push))
    return tests


def local_cross(
    adjustment: Adjustment, columns: Columns, rows: IntArray, values: FloatArray
) -> FloatArray:
    """Return B'RC (n, g, h) of one alternative C with B given row by row, (n, 3, g) at ``rows``."""
    touched = _touched(adjustment, columns)
    right_setup, right_mark = _right(adjustment, [touched])
    setup, mark = solve_marks(adjustment.system, right_setup, right_mark)
    structure, design = adjustment.system.structure, adjustment.rows
    fitted = design.by_setup[rows] @ setup[structure.setup[rows]]
    fitted += design.by_mark[rows] @ mark[structure.mark[rows]]
    own = np.zeros_like(fitted)
    place = {int(row): i for i, row in enumerate(rows)}
    for row, value in zip(columns.rows.tolist(), columns.values, strict=True):
        if row in place:
            own[place[row]] = value
    return np.asarray(values.transpose(0, 2, 1) @ (own - fitted))


def local_covariance(adjustment: Adjustment, groups: Sequence[IntArray]) -> list[FloatArray]:
    """Return the joint covariance (3k, 3k) in m^2 of each small group of k points.

    In the datum in which the system was solved: for quantities that a motion of the whole site
    does not change.
    """
    number = np.full(len(adjustment.position), -1)
    number[adjustment.system.structure.marks] = np.arange(len(adjustment.system.structure.marks))
    aside = adjustment.aside
    hangs = dict(zip(aside.connections.point.tolist(), range(len(aside.connections)), strict=True))
    touched, own = [], []
    for points in groups:
        k = len(points)
        on = [hangs.get(int(p), -1) for p in points]
        inside = [i for i in range(k) if on[i] < 0]
        outside = [i for i in range(k) if on[i] >= 0]
        by_setup, by_mark = np.zeros((len(outside), 4, 3 * k)), np.zeros((len(inside), 3, 3 * k))
        rest = np.zeros((3 * k, 3 * k))
        for j, i in enumerate(outside):
            by_setup[j, :, 3 * i : 3 * i + 3] = aside.by_setup[on[i]].T
            rest[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] = aside.own[on[i]]
        for j, i in enumerate(inside):
            by_mark[j, :, 3 * i : 3 * i + 3] = np.diag(~adjustment.held.point[points[i]])
        setups = aside.connections.setup[[on[i] for i in outside]]
        by_setup *= ~adjustment.held.setup[setups][:, :, None]
        touched.append(_gathered(setups, number[points[inside]], by_setup, by_mark))
        own.append(rest)
    spreads = _spreads(adjustment, touched)
    return [spread + rest for spread, rest in zip(spreads, own, strict=True)]


def _size(adjustment: Adjustment) -> int:
    structure = adjustment.system.structure
    return len(structure.incidences) + len(structure.marks) + structure.setups


def _touched(adjustment: Adjustment, columns: Columns) -> _Touched:
    structure, design = adjustment.system.structure, adjustment.rows
    rows, values = columns.rows, columns.values
    return _gathered(
        structure.setup[rows],
        structure.mark[rows],
        design.by_setup[rows].transpose(0, 2, 1) @ values,
        design.by_mark[rows].transpose(0, 2, 1) @ values,
    )


def _gathered(
    setup: IntArray, mark: IntArray, by_setup: FloatArray, by_mark: FloatArray
) -> _Touched:
    """Sum rows (n, 4, h) and (k, 3, h) that belong to the same setup or mark."""
    setups, of_setup = np.unique(setup, return_inverse=True)
    marks, of_mark = np.unique(mark, return_inverse=True)
    total_setup = np.zeros((len(setups), *by_setup.shape[1:]))
    total_mark = np.zeros((len(marks), *by_mark.shape[1:]))
    np.add.at(total_setup, of_setup.reshape(-1), by_setup)
    np.add.at(total_mark, of_mark.reshape(-1), by_mark)
    return _Touched(setups, marks, total_setup, total_mark)


def _spreads(adjustment: Adjustment, touched: Sequence[_Touched]) -> Iterator[FloatArray]:
    """Yield U'Q U of each alternative."""
    room = max(BATCH / _size(adjustment), 1)
    widths = np.array([t.by_setup.shape[2] for t in touched], dtype=np.int64)
    part = (np.cumsum(widths) // room).astype(np.int64)
    for number in np.unique(part):
        batch = [touched[i] for i in np.flatnonzero(part == number).tolist()]
        with one_thread():
            setup, mark = solve_marks(adjustment.system, *_right(adjustment, batch))
        start = 0
        for one in batch:
            span = slice(start, start + one.by_setup.shape[2])
            start = span.stop
            spread = _inner(one.by_setup, setup[one.setups, :, span])
            yield spread + _inner(one.by_mark, mark[one.marks, :, span])


def _inner(left: FloatArray, right: FloatArray) -> FloatArray:
    """Return L'R (h, h) of two stacks (n, u, h)."""
    columns = left.shape[2]
    return np.asarray(left.reshape(-1, columns).T @ right.reshape(-1, columns))


def _right(adjustment: Adjustment, batch: Sequence[_Touched]) -> tuple[FloatArray, FloatArray]:
    """Return the right-hand sides (S, 4, q) and (m, 3, q) of a batch."""
    structure = adjustment.system.structure
    count = sum(one.by_setup.shape[2] for one in batch)
    setup = np.zeros((structure.setups, 4, count))
    mark = np.zeros((len(structure.marks), 3, count))
    start = 0
    for one in batch:
        span = slice(start, start + one.by_setup.shape[2])
        start = span.stop
        setup[one.setups, :, span] = one.by_setup
        mark[one.marks, :, span] = one.by_mark
    return setup, mark
