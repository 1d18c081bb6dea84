"""Quantities of faces and rounds that only raw rows have: conflicts, pointings, their scatter."""

from __future__ import annotations

import numpy as np

from tieup.audit.raw_evidence import RawEvidence
from tieup.model.arrays import distinct_pairs
from tieup.model.observations import DIRECTION, DISTANCE, KINDS, ZENITH
from tieup.reduce.groups import group_extreme
from tieup.reduce.measured import Collector, Measured
from tieup.reduce.quantities import sight_names


def face_conflicts(evidence: RawEvidence) -> Measured:
    """Count the rows of each setup whose booked face the zenith angle contradicts."""
    shots = evidence.fieldbook.shots
    wrong = np.bincount(
        shots.setup[evidence.reduction.face_conflict], minlength=len(evidence.setups)
    )
    out = Collector("")
    for label, count in zip(evidence.setups, wrong.tolist(), strict=True):
        out.add(label, float(count))
    return out.done()


def control_pointings(evidence: RawEvidence) -> Measured:
    """Count the pointings of each setup at each control mark, faces and rounds together."""
    visits = evidence.visits
    own = np.flatnonzero(evidence.listed[visits.point])
    pairs, group = distinct_pairs(visits.setup[own], visits.point[own])
    number = np.bincount(group, weights=visits.count.max(axis=1)[own], minlength=len(pairs))
    out = Collector("no control mark was sighted")
    names = sight_names(evidence, *pairs.T)
    for name, value in zip(names, number.tolist(), strict=True):
        out.add(name, float(value))
    return out.done()


def _scatter(evidence: RawEvidence, kind: int) -> Measured:
    """Return the largest departure of a pointing from the mean of its sight, sight by sight."""
    sights, pointings = evidence.reduction.sights, evidence.reduction.pointings
    rows = np.flatnonzero((pointings.sight >= 0) & np.isfinite(pointings.deviation[:, kind]))
    largest = group_extreme(
        np.abs(pointings.deviation[rows, kind]), pointings.sight[rows], len(sights)
    )
    several = np.flatnonzero(sights.count[:, kind] > 1)
    return Measured(
        largest[several],
        sight_names(evidence, sights.setup[several], sights.point[several]),
        sights.value[several, DISTANCE],
        np.ones(len(several)),
        reason="" if len(several) else f"no {KINDS[kind]} was observed twice from one setup",
    )


def direction_scatter(evidence: RawEvidence) -> Measured:
    """Return how far (rad) a direction lies from the mean of its sight, faces and rounds."""
    return _scatter(evidence, DIRECTION)


def zenith_scatter(evidence: RawEvidence) -> Measured:
    """Return how far (rad) a zenith angle lies from the mean of its sight."""
    return _scatter(evidence, ZENITH)


def distance_scatter(evidence: RawEvidence) -> Measured:
    """Return how far (m) a distance lies from the mean of its sight."""
    return _scatter(evidence, DISTANCE)
