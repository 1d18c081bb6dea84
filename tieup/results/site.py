"""Everything known about a finished run, in SI: what the tables are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from tieup.adjust.pointings import PointingTests
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.proof.certainty import widened
from tieup.diagnose.proof.disputes import Dispute
from tieup.diagnose.proof.proving import Proven
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray, distinct_pairs
from tieup.model.fieldbook import Fieldbook
from tieup.model.job import Job
from tieup.ties.marks import MarkTies
from tieup.ties.setup_geometry import Geometry
from tieup.ties.verdicts import Judgement


@dataclass(frozen=True)
class Fits:
    """The tests of the final data weighed as stated: held to control, and minimally constrained.

    ``held`` is None where the job's own frame is minimally constrained already; ``iterations`` of
    the two.
    """

    minimal: PointingTests
    held: PointingTests | None
    iterations: tuple[int, int]


@dataclass(frozen=True)
class Site:
    """A finished run.

    ``solved`` is the final solution, ``minimal`` the minimally constrained fit of the same
    data (None where the job's own frame is minimally constrained already). ``tests``
    are of all raw rows of ``fieldbook.shots``. ``excluded`` (m, 3) marks components left
    out, ``reason`` (m,) says why a row or part of it is not used, "" else. ``geometry`` describes
    each setup, ``flags`` are remarks by point or setup name. ``proven`` says how well all of it is
    known and what it is guarded against, ``fits`` are the tests of the same data as stated,
    ``disputes`` the points between two stories.
    """

    job: Job
    fieldbook: Fieldbook
    solved: Solved
    minimal: Adjustment | None
    tests: PointingTests
    ties: MarkTies
    judgement: Judgement
    excluded: BoolArray
    reason: TextArray
    geometry: tuple[Geometry, ...]
    flags: Mapping[str, str]
    proven: Proven
    fits: Fits
    disputes: tuple[Dispute, ...] = ()

    @cached_property
    def disputed(self) -> frozenset[str]:
        """Return the names of the points between two stories."""
        return frozenset(dispute.point for dispute in self.disputes)

    @cached_property
    def wide(self) -> Adjustment:
        """Return the solution with sds so wide that normal quantiles hold at the confidence."""
        return widened(self.solved, self.proven.certainty, self.job.confidence)

    @property
    def case(self) -> Case:
        """Return the case of the final solution."""
        return self.solved.case

    @property
    def adjustment(self) -> Adjustment:
        """Return the final adjustment."""
        return self.solved.adjustment

    @property
    def position(self) -> FloatArray:
        """Return the marks in the job's frame (P, 3) in m; height NaN where not determined."""
        position = self.adjustment.position + self.solved.network.origin
        position[~self.solved.network.start.height_point, 2] = np.nan
        return position

    @property
    def axis(self) -> FloatArray:
        """Return the instrument axes in the job's frame (S, 3) in m."""
        axis = self.adjustment.axis + self.solved.network.origin
        axis[~self.solved.network.start.height_setup, 2] = np.nan
        return axis

    @property
    def visits(self) -> IntArray:
        """Return every pair (v, 2) of a point and a setup that used it, in order."""
        sights = self.solved.network.sights
        return distinct_pairs(sights.point, sights.setup)[0]

    def setups_of_points(self) -> list[IntArray]:
        """Return for each point the setups that used it, in order of setup."""
        pairs = self.visits
        cuts = np.searchsorted(pairs[:, 0], np.arange(len(self.case.points) + 1))
        return [pairs[a:b, 1] for a, b in pairwise(cuts)]
