"""The joint covariance of chosen setups and marks, as one matrix in the frame of the solution.

Unknowns stand in the order: four of each setup (axis N, E, H in m, orientation in rad), then
three of each mark. With F the rows of the wanted unknowns, Q = F N^-1 F' + own, the frame's
transfer applied to both sides (`tieup.adjust.datum`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.elimination import solve_marks
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.threads import one_thread

BATCH = 240  # right-hand sides solved at once


@dataclass(frozen=True)
class Joint:
    """``matrix`` (N, N) of ``setups`` (s,) and ``marks`` (m,); N = 4 s + 3 m."""

    matrix: FloatArray
    setups: IntArray
    marks: IntArray

    def columns(self, setup: int, mark: int) -> IntArray:
        """Return the seven columns of a setup and a mark (their numbers in the network)."""
        first = 4 * int(np.flatnonzero(self.setups == setup)[0])
        second = 4 * len(self.setups) + 3 * int(np.flatnonzero(self.marks == mark)[0])
        return np.concatenate([np.arange(first, first + 4), np.arange(second, second + 3)])


@dataclass(frozen=True)
class _Wanted:
    """Where the unknowns of a joint covariance live.

    ``inside`` (a,) are rows of ``marks`` in the system and ``mark`` (a,) their numbers there;
    ``beside`` (b,) are rows of points that hang on setup ``holder`` (b,) by ``arm`` (b, 3, 4).
    """

    setups: IntArray
    count: int
    inside: IntArray
    mark: IntArray
    beside: IntArray
    holder: IntArray
    arm: FloatArray

    def of(self, setup: FloatArray, mark: FloatArray) -> FloatArray:
        """Return the wanted rows (N, q) of columns over setups (S, 4, q) and marks (m, 3, q)."""
        columns = setup.shape[2]
        points = np.zeros((self.count, 3, columns))
        points[self.inside] = mark[self.mark]
        points[self.beside] = self.arm @ setup[self.holder]
        own = setup[self.setups].reshape(-1, columns)
        return np.concatenate([own, points.reshape(-1, columns)])


def joint_covariance(adjustment: Adjustment, setups: IntArray, marks: IntArray) -> Joint:
    """Return the joint covariance of solved ``setups`` (s,) and ``marks`` (m,), all different."""
    wanted, own = _wanted(adjustment, setups, marks)
    size = 4 * len(setups) + 3 * len(marks)
    matrix = np.zeros((size, size))
    with one_thread():
        for start in range(0, size, BATCH):
            chosen = np.arange(start, min(start + BATCH, size))
            solved = solve_marks(adjustment.system, *_right(adjustment, wanted, chosen))
            matrix[:, chosen] = wanted.of(*solved)
    transfer, inside = adjustment.transfer, adjustment.system.structure.marks
    if transfer.motions.count:
        moved = wanted.of(transfer.motions.setup, transfer.motions.point[inside])
        weight = wanted.of(transfer.setup, transfer.point[inside])
        matrix -= moved @ weight.T + weight @ moved.T
    first = 4 * len(setups) + 3 * np.arange(len(marks))
    place = first[:, None] + np.arange(3)
    matrix[place[:, :, None], place[:, None, :]] += own
    return Joint((matrix + matrix.T) / 2.0, setups, marks)


def _wanted(
    adjustment: Adjustment, setups: IntArray, marks: IntArray
) -> tuple[_Wanted, FloatArray]:
    """Find the unknowns, and what each mark has of its own (m, 3, 3)."""
    structure, aside = adjustment.system.structure, adjustment.aside
    points = len(adjustment.position)
    number, hangs = np.full(points, -1), np.full(points, -1)
    number[structure.marks] = np.arange(len(structure.marks))
    hangs[aside.connections.point] = np.arange(len(aside.connections))
    inside = np.flatnonzero(number[marks] >= 0)
    beside = np.flatnonzero((number[marks] < 0) & (hangs[marks] >= 0))
    own = adjustment.point_covariance[marks].copy()  # control that nobody sighted keeps its own
    own[inside] = 0.0
    row = hangs[marks[beside]]
    if len(beside):
        own[beside] = aside.own[row]
    wanted = _Wanted(
        setups=setups,
        count=len(marks),
        inside=inside,
        mark=number[marks[inside]],
        beside=beside,
        holder=aside.connections.setup[row],
        arm=aside.by_setup[row] if len(beside) else np.zeros((0, 3, 4)),
    )
    return wanted, np.nan_to_num(own)


def _right(
    adjustment: Adjustment, wanted: _Wanted, chosen: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return the right-hand sides (S, 4, q), (m, 3, q) of the ``chosen`` unknowns (q,)."""
    structure = adjustment.system.structure
    setup = np.zeros((structure.setups, 4, len(chosen)))
    mark = np.zeros((len(structure.marks), 3, len(chosen)))
    edge = 4 * len(wanted.setups)
    at = {int(row): i for i, row in enumerate(wanted.inside)}
    hung = {int(row): i for i, row in enumerate(wanted.beside)}
    for column, unknown in enumerate(chosen.tolist()):
        if unknown < edge:
            setup[wanted.setups[unknown // 4], unknown % 4, column] = 1.0
            continue
        row, component = divmod(unknown - edge, 3)
        if row in at:
            mark[wanted.mark[at[row]], component, column] = 1.0
        elif row in hung:
            i = hung[row]
            setup[wanted.holder[i], :, column] = wanted.arm[i, component]
    setup *= ~adjustment.held.setup[:, :, None]
    mark *= ~adjustment.held.point[structure.marks][:, :, None]
    return setup, mark
