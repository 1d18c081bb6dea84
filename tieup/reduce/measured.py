"""A quantity that a rule is held against: values of its subjects, and which subjects have none."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tieup.model.arrays import FloatArray


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
        known = set(self.subjects)
        missing = tuple(s for s in dict.fromkeys(self.missing) if s not in known)
        return Measured(
            np.array(self.values),
            tuple(self.subjects),
            np.array(self.distances),
            np.array(self.counts),
            missing,
            self.reason if missing or not self.values else "",
        )
