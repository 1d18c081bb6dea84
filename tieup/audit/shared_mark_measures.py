"""Quantities of setups by themselves: marks in common, how far they shoot."""

from __future__ import annotations

import numpy as np

from tieup.audit.raw_evidence import RawEvidence
from tieup.reduce.measured import Collector, Measured
from tieup.reduce.quantities import longest


def marks_in_sight(evidence: RawEvidence) -> Measured:
    """Count the marks of each setup, its own included, that control or another setup knows."""
    setup, point = evidence.looks
    setups = len(evidence.setups)
    count = np.bincount(setup[evidence.shared[point]], minlength=setups)
    out = Collector("there is one setup only, and no control")
    alone = setups == 1 and not evidence.shared.any()
    for label, value in zip(evidence.setups, count.tolist(), strict=True):
        out.add(label, np.nan if alone else float(value))
    return out.done()


def sight_length(evidence: RawEvidence) -> Measured:
    """Return the longest slope distance (m) of each setup."""
    furthest = longest(evidence, np.ones(len(evidence.points), dtype=np.bool_))
    out = Collector("no distances")
    for label, value in zip(evidence.setups, furthest.tolist(), strict=True):
        out.add(label, value)
    return out.done()
