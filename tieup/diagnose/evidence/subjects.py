"""What mistakes can be made about: the sights, setups and marks of a solved site.

One place that knows how raw rows, sights, connections, setups and times belong
together, so that the families of hypotheses stay short.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tieup.diagnose.evidence.evidence import Evidence
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.fieldbook import Setup, Shots
from tieup.reduce.target_visits import runs_at_marks, setup_times, shooting_order


@dataclass(frozen=True)
class Subjects:
    """Access to the tested rows of a site, or to those that ``focus`` (m,) marks.

    ``shots``/``setups``/``points`` as in the fieldbook; ``evidence`` of its solution. A tested row
    belongs to a sight in the system; side shots are not tested. Rows are in shooting
    order: by time where every row of a setup has one, else as recorded.
    """

    shots: Shots
    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    evidence: Evidence
    focus: BoolArray | None = None

    @cached_property
    def rows(self) -> IntArray:
        """Return the tested rows in shooting order."""
        inside = self.evidence.row_connection >= 0
        tested = np.flatnonzero(inside if self.focus is None else inside & self.focus)
        return tested[np.lexsort((tested, self.order[tested], self.shots.setup[tested]))]

    @cached_property
    def order(self) -> FloatArray:
        """Return a number (m,) that grows with shooting order within a setup."""
        return shooting_order(self.shots)

    @cached_property
    def run(self) -> IntArray:
        """Number the shots (m,) that a setup made at one mark with no other shot between."""
        return runs_at_marks(self.shots)

    @cached_property
    def clock(self) -> FloatArray:
        """Return the time of each setup (S,)."""
        return setup_times(self.shots, len(self.setups))

    @cached_property
    def derivative(self) -> FloatArray:
        """Return d(direction, zenith, distance)/d(N, E, H of the target) of each row (m, 3, 3)."""
        adjustment = self.evidence.adjustment
        by_row = np.zeros((len(self.shots), 3, 3))
        rows = self.rows
        connection = self.evidence.row_connection[rows]
        noise = adjustment.noise.of(connection)
        by_row[rows] = np.nan_to_num(noise.restored(adjustment.rows.by_place[connection]))
        return by_row

    def of_setup(self, setup: int) -> IntArray:
        """Return the tested rows of a setup in shooting order."""
        return np.asarray(self.rows[self.shots.setup[self.rows] == setup])

    def of_point(self, point: int) -> IntArray:
        """Return the tested rows to a point."""
        return np.asarray(self.rows[self.shots.point[self.rows] == point])

    @cached_property
    def sight_rows(self) -> tuple[IntArray, ...]:
        """Return the tested rows of each tested sight, in the order of the sights."""
        sight = self.evidence.pointings.sight[self.rows]
        order = np.argsort(sight, kind="stable")
        cuts = np.flatnonzero(np.diff(sight[order])) + 1
        return tuple(np.split(self.rows[order], cuts)) if len(order) else ()

    @cached_property
    def observed(self) -> BoolArray:
        """Return which components of each row take part (m, 3).

        A zenith angle that reaches no height does not.
        """
        sight = self.evidence.pointings.sight
        solved = np.isfinite(self.evidence.means.residual[np.maximum(sight, 0)])
        return np.isfinite(self.evidence.pointings.corrected) & (solved | (sight < 0)[:, None])

    def label(self, row: int) -> str:
        """Return the setup label of a row."""
        return self.setups[int(self.shots.setup[row])].label

    def name(self, row: int) -> str:
        """Return the point name of a row."""
        return self.points[int(self.shots.point[row])]
