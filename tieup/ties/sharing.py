"""Which setups have shot the same marks."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.ties.compare import Comparison
from tieup.ties.known import known_to_control

HUB = 24  # setups on one mark beyond which it makes no neighbours: a tower far away
ENOUGH = 2  # work marks that do without the control marks beside them


@dataclass(frozen=True)
class Sharing:
    """Who has shot what: ``rows`` are the connections by (setup, point).

    ``setups`` are the setups of each mark; ``control`` (P,) and ``linked`` (P,) mark what control,
    and what levels and tapes, speak of.
    """

    rows: dict[tuple[int, int], list[int]]
    setups: dict[int, set[int]]
    control: BoolArray
    linked: BoolArray

    def comparison(self, first: int, second: int, marks: list[int]) -> Comparison:
        """Return the comparison of two setups at marks that both have shot."""
        known = [m for m in marks if self.control[m] or self.linked[m] or len(self.setups[m]) > 2]
        return Comparison(
            tuple(row for mark in marks for row in self.rows[first, mark]),
            tuple(row for mark in marks for row in self.rows[second, mark]),
            tuple(known),
        )


def find_sharing(adjustment: Adjustment) -> Sharing:
    """Gather the connections by mark; a plumb line counts as a sight of its mark."""
    connections, network = adjustment.connections, adjustment.problem.network
    rows: dict[tuple[int, int], list[int]] = {}
    setups: dict[int, set[int]] = {}
    ends = zip(connections.setup.tolist(), connections.point.tolist(), strict=True)
    for row, (s, p) in enumerate(ends):
        rows.setdefault((s, p), []).append(row)
        setups.setdefault(p, set()).add(s)
    control = known_to_control(adjustment)
    linked = np.zeros(len(control), dtype=np.bool_)
    linked[network.links.start], linked[network.links.end] = True, True
    return Sharing(rows, setups, control, linked)


def neighbours(sharing: Sharing) -> tuple[IntArray, list[list[int]], IntArray, IntArray]:
    """Return pairs of setups (q, 2), the marks to compare them at, and two counts (q,).

    Counted are the marks that both have shot, and those of them that are work, no control.

    Compared are the work marks where there are two or more, else all marks that are shared.
    """
    shared: dict[tuple[int, int], list[int]] = {}
    for mark in sorted(sharing.setups):
        if len(sharing.setups[mark]) <= HUB:
            for pair in combinations(sorted(sharing.setups[mark]), 2):
                shared.setdefault(pair, []).append(mark)
    marks, common, work_marks = [], [], []
    for pair in sorted(shared):
        work = [mark for mark in shared[pair] if not sharing.control[mark]]
        marks.append(work if len(work) >= ENOUGH else shared[pair])
        common.append(len(shared[pair]))
        work_marks.append(len(work))
    pairs = np.array(sorted(shared), dtype=np.int64).reshape(-1, 2)
    return pairs, marks, np.array(common, dtype=np.int64), np.array(work_marks, dtype=np.int64)


def misfits(adjustment: Adjustment, comparisons: list[Comparison]) -> FloatArray:
    """Return the largest weighted residual (q,) at the marks of each comparison."""
    weighted = np.abs(adjustment.whitened).max(axis=1)
    return np.array([weighted[list(c.first + c.second)].max() for c in comparisons])
