"""What rules are checked against: the results of the stages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tieup.adjust.distributions import GlobalTest
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.settings import Precision
from tieup.reduce.backsights import Closings, Drift
from tieup.reduce.rounds import Pairs
from tieup.reduce.visits import Visits
from tieup.ties.closures import Closure
from tieup.ties.control_test import ControlTest
from tieup.ties.joints import StringJoints
from tieup.ties.marks import MarkTies
from tieup.ties.pairs import PairSteps
from tieup.ties.setup_geometry import Geometry


@dataclass(frozen=True)
class RuleEvidence:
    """Everything a rule may look at. ``control`` is None in a job without control.

    ``w`` (m, 3) are the standardised residuals of the raw pointings and ``w_setup`` (m,) the setup
    of each. ``confidence`` is that of ellipses and intervals.
    """

    adjustment: Adjustment
    precision: Precision
    fit: GlobalTest
    ties: MarkTies
    geometry: tuple[Geometry, ...]
    pairs: PairSteps
    joints: StringJoints
    visits: Visits
    face_pairs: Pairs
    closings: Closings
    drift: Drift
    closures: Sequence[Closure]
    control: ControlTest | None
    w: FloatArray
    w_setup: IntArray
    confidence: float

    @property
    def setups(self) -> tuple[str, ...]:
        """Return the labels of the setups."""
        return self.adjustment.problem.network.setup_labels

    @property
    def points(self) -> tuple[str, ...]:
        """Return the names of the points."""
        return self.adjustment.problem.network.point_names

    @property
    def shared(self) -> BoolArray:
        """Mark the points (P,) that tie a setup: more than one saw them, or control knows them."""
        return self._marked(self.ties.point)

    @property
    def listed(self) -> BoolArray:
        """Mark the control points (P,) that a setup saw."""
        return self._marked(self.ties.point[self.ties.control])

    def _marked(self, points: IntArray) -> BoolArray:
        mask = np.zeros(len(self.points), dtype=np.bool_)
        mask[points] = True
        return mask
