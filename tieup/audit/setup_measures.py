"""Quantities of setups by themselves: closing looks, marks in common, how far they shoot."""

from __future__ import annotations

import numpy as np

from tieup.audit.evidence import RawEvidence, group_extreme
from tieup.model.observations import DISTANCE
from tieup.ties.evidence import Collector, Measured


def closing_looks(evidence: RawEvidence) -> Measured:
    """Count the marks that each setup came back to."""
    count = np.bincount(evidence.closings.setup, minlength=len(evidence.labels))
    out = Collector("")
    for label, value in zip(evidence.labels, count.tolist(), strict=True):
        out.add(label, float(value))
    return out.done()


def _closing(evidence: RawEvidence, column: int) -> Measured:
    """Return a change of the backsight, closing minus opening, of every setup."""
    closings = evidence.closings
    out = Collector("no closing look at its backsight")
    rows = np.flatnonzero(closings.backsight)
    closed = set(closings.setup[rows].tolist())
    for s, label in enumerate(evidence.labels):
        if s not in closed:
            out.add(label, np.nan)
    names = evidence.named(closings.setup[rows], closings.point[rows])
    for name, row in zip(names, rows.tolist(), strict=True):
        out.add(name, float(closings.change[row, column]), float(closings.distance[row]))
    return out.done()


def closing_direction(evidence: RawEvidence) -> Measured:
    """Return the change of direction (rad) of the backsight, closing against opening."""
    return _closing(evidence, 0)


def closing_distance(evidence: RawEvidence) -> Measured:
    """Return the change of distance (m) of the backsight, closing against opening."""
    return _closing(evidence, 1)


def closing_height(evidence: RawEvidence) -> Measured:
    """Return the change of height (m) of the backsight, closing against opening."""
    return _closing(evidence, 2)


def marks_in_sight(evidence: RawEvidence) -> Measured:
    """Count the marks of each setup, its own included, that control or another setup knows."""
    setup, point = evidence.looks
    setups = len(evidence.labels)
    count = np.bincount(setup[evidence.shared[point]], minlength=setups)
    out = Collector("there is one setup only, and no control")
    alone = setups == 1 and not evidence.shared.any()
    for label, value in zip(evidence.labels, count.tolist(), strict=True):
        out.add(label, np.nan if alone else float(value))
    return out.done()


def reach(evidence: RawEvidence) -> Measured:
    """Return the longest shot of each setup over its longest sight of a mark in common."""
    sights, setups = evidence.reduction.sights, len(evidence.labels)
    distance, common = sights.value[:, DISTANCE], evidence.shared[sights.point]
    longest = group_extreme(distance[~common], sights.setup[~common], setups)
    tied = group_extreme(distance[common], sights.setup[common], setups)
    out = Collector("no distance to a mark in common")
    for label, work, mark in zip(evidence.labels, longest.tolist(), tied.tolist(), strict=True):
        if np.isfinite(work):
            out.add(label, work / mark)
    return out.done()


def sight_length(evidence: RawEvidence) -> Measured:
    """Return the longest slope distance (m) of each setup."""
    sights = evidence.reduction.sights
    longest = group_extreme(sights.value[:, DISTANCE], sights.setup, len(evidence.labels))
    out = Collector("no distances")
    for label, value in zip(evidence.labels, longest.tolist(), strict=True):
        out.add(label, value)
    return out.done()
