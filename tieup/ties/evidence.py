"""What rules are checked against: the results of the stages, and a quantity read off them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tieup.adjust.distributions import GlobalTest
from tieup.adjust.solution import Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.settings import Precision
from tieup.reduce.rounds import Pairs
from tieup.ties.backsights import Closings, Drift
from tieup.ties.closures import Closure
from tieup.ties.control import ControlTest
from tieup.ties.geometry import Geometry
from tieup.ties.joints import StringJoints
from tieup.ties.marks import MarkTies
from tieup.ties.pairs import PairSteps
from tieup.ties.visits import Visits


@dataclass(frozen=True)
class Evidence:
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
    confidence: float = 0.95

    @property
    def setups(self) -> tuple[str, ...]:
        """Return the labels of the setups."""
        return self.adjustment.problem.network.setup_labels

    @property
    def points(self) -> tuple[str, ...]:
        """Return the names of the points."""
        return self.adjustment.problem.network.point_names


@dataclass(frozen=True)
class Measured:
    """One quantity: n values in SI with the subject of each.

    ``distance`` (n,) m, where a limit may depend on it, else NaN; ``count`` (n,) of stations.
    ``missing`` are subjects that should have a value and have none, ``reason`` says why.
    """

    value: FloatArray
    subject: tuple[str, ...]
    distance: FloatArray
    count: FloatArray
    missing: tuple[str, ...] = ()
    reason: str = ""


@dataclass
class Collector:
    """Gather values one subject at a time."""

    reason: str
    values: list[float] = field(default_factory=list)
    subjects: list[str] = field(default_factory=list)
    distances: list[float] = field(default_factory=list)
    counts: list[float] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)

    def add(self, subject: str, value: float, distance: float = np.nan, count: float = 1.0) -> None:
        """Add a value; NaN means that the subject has no data."""
        if np.isnan(value):
            self.missing.append(subject)
            return
        self.values.append(value)
        self.subjects.append(subject)
        self.distances.append(distance)
        self.counts.append(count)

    def done(self) -> Measured:
        """Return what was gathered; a subject with a value is not missing."""
        missing = tuple(s for s in dict.fromkeys(self.missing) if s not in set(self.subjects))
        return Measured(
            np.array(self.values),
            tuple(self.subjects),
            np.array(self.distances),
            np.array(self.counts),
            missing,
            self.reason if missing or not self.values else "",
        )
