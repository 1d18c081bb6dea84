"""A mistake as found: what it is, how large, what else it could be."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.finding import NAMED


@dataclass(frozen=True)
class RivalCause:
    """Another cause of the same misfit; ``separable`` is False where the data cannot decide.

    ``cause`` is it as a mistake, None where it cannot be put in the other's place.
    """

    kind: str
    setup: str
    points: tuple[str, ...]
    statistic: float
    separable: bool
    cause: Mistake | None = None


@dataclass(frozen=True)
class Mistake:
    """One mistake in the raw data.

    ``rows`` are the raw rows it is in, ``kinds`` their contaminated components. ``size`` (q,) is
    raw minus right in ``unit`` (m, rad or 1) with ``covariance`` (q, q), empty where it has
    none. ``right`` (m) is the value that its cure proposes where it is not the fitted one, and
    ``instead`` where that is from. ``statistic`` is the size over its sd (the root of T where it
    has several). ``links`` are the numbers of its level runs or tapes.
    ``instead`` is what it should have been: the right name, the right mark, the unit. ``grade``:
    noticed is out of the ordinary, named is surely a mistake.
    """

    kind: str
    setup: str
    points: tuple[str, ...]
    rows: IntArray
    kinds: tuple[int, ...]
    unit: str = ""
    size: FloatArray = field(default_factory=lambda: np.zeros(0))
    covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    right: float = np.nan
    statistic: float = np.nan
    detail: str = ""
    instead: tuple[str, ...] = ()
    rivals: tuple[RivalCause, ...] = ()
    links: tuple[int, ...] = ()
    grade: str = NAMED

    @classmethod
    def of(cls, hypothesis: Hypothesis) -> Mistake:
        """Return what a hypothesis says as a mistake that can be taken out, its size not known."""
        return cls(
            kind=hypothesis.kind,
            setup=hypothesis.setup,
            points=hypothesis.points,
            rows=hypothesis.rows,
            kinds=hypothesis.kinds,
            unit=hypothesis.unit,
            detail=hypothesis.detail,
            links=hypothesis.links,
        )

    @property
    def magnitude(self) -> float:
        """Return the size: signed where there is one, the length of a shift where there are more.

        A fourth size is the turn that goes with a shift; it is not part of its length.
        """
        if len(self.size) == 0:
            return np.nan
        return float(self.size[0]) if len(self.size) == 1 else float(np.linalg.norm(self.size[:3]))

    @property
    def sd(self) -> float:
        """Return the sd of the magnitude, along the size where there are several."""
        if len(self.size) == 0:
            return np.nan
        shift, covariance = self.size[:3], self.covariance[:3, :3]
        along = shift / (np.linalg.norm(shift) or 1.0)
        return float(np.sqrt(along @ covariance @ along))
