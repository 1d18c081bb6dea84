"""Quantities of two faces and rounds: pairs, axis errors and their spread, scatter of pointings."""

from __future__ import annotations

import numpy as np

from tieup.audit.evidence import RawEvidence, group_extreme
from tieup.model.arrays import FloatArray
from tieup.model.observations import DIRECTION, DISTANCE, KINDS, ZENITH
from tieup.ties.evidence import Collector, Measured

NO_PAIRS = "no mark pointed in both faces"


def face_conflicts(evidence: RawEvidence) -> Measured:
    """Count the rows of each setup whose booked face the zenith angle contradicts."""
    shots = evidence.fieldbook.shots
    wrong = np.bincount(
        shots.setup[evidence.reduction.face_conflict], minlength=len(evidence.labels)
    )
    out = Collector("")
    for label, count in zip(evidence.labels, wrong.tolist(), strict=True):
        out.add(label, float(count))
    return out.done()


def control_face_pairs(evidence: RawEvidence) -> Measured:
    """Count the face pairs at each setup's sights of control marks."""
    return _at_control(evidence, np.isfinite(evidence.visits.two_collimation).astype(np.float64))


def control_pointings(evidence: RawEvidence) -> Measured:
    """Count the pointings of each setup at each control mark, faces and rounds together."""
    return _at_control(evidence, evidence.visits.count.max(axis=1).astype(np.float64))


def _at_control(evidence: RawEvidence, number: FloatArray) -> Measured:
    """Sum a number (v,) over the visits of each setup to each control mark."""
    visits = evidence.visits
    control = np.asarray(np.isfinite(evidence.known).any(axis=1))
    out = Collector("no control mark was sighted")
    own = np.flatnonzero(control[visits.point])
    keys = visits.setup[own] * len(evidence.points) + visits.point[own]
    pairs, group = np.unique(keys, return_inverse=True)
    sums = np.bincount(group, weights=number[own], minlength=len(pairs))
    names = evidence.named(*np.divmod(pairs, len(evidence.points)))
    for name, value in zip(names, sums.tolist(), strict=True):
        out.add(name, value)
    return out.done()


def _mean(evidence: RawEvidence, two: FloatArray) -> Measured:
    """Return half the mean of 2c or 2i (rad) over the pairs of each setup."""
    setup, setups = evidence.visits.setup, len(evidence.labels)
    known = np.isfinite(two)
    count = np.bincount(setup[known], minlength=setups)
    total = np.bincount(setup[known], weights=two[known], minlength=setups)
    out = Collector(NO_PAIRS)
    for label, n, value in zip(evidence.labels, count.tolist(), total.tolist(), strict=True):
        out.add(label, abs(value) / n / 2.0 if n else np.nan)
    return out.done()


def collimation(evidence: RawEvidence) -> Measured:
    """Return the mean collimation error (rad) of each setup."""
    return _mean(evidence, evidence.visits.two_collimation)


def vertical_index(evidence: RawEvidence) -> Measured:
    """Return the mean vertical index error (rad) of each setup."""
    return _mean(evidence, evidence.visits.two_index)


def _spread(evidence: RawEvidence, two: FloatArray) -> Measured:
    """Return the largest 2c or 2i of each setup minus its smallest, at the nearer of the two."""
    visits, labels = evidence.visits, evidence.labels
    known = np.flatnonzero(np.isfinite(two))
    order = known[np.lexsort((two[known], visits.setup[known]))]
    setup = visits.setup[order]
    out = Collector("fewer than two marks pointed in both faces")
    first = np.searchsorted(setup, np.arange(len(labels)), side="left")
    last = np.searchsorted(setup, np.arange(len(labels)), side="right") - 1
    for label, a, b in zip(labels, first.tolist(), last.tolist(), strict=True):
        if b <= a:
            out.add(label, np.nan)
            continue
        low, high = order[a], order[b]
        nearer = float(np.fmin(visits.distance[low], visits.distance[high]))
        out.add(label, float(two[high] - two[low]), nearer)
    return out.done()


def collimation_spread(evidence: RawEvidence) -> Measured:
    """Return the spread of 2c (rad) within each setup."""
    return _spread(evidence, evidence.visits.two_collimation)


def index_spread(evidence: RawEvidence) -> Measured:
    """Return the spread of 2i (rad) within each setup."""
    return _spread(evidence, evidence.visits.two_index)


def face_distance(evidence: RawEvidence) -> Measured:
    """Return the difference (m) of the distances in two faces, pair by pair."""
    visits = evidence.visits
    pairs = np.flatnonzero(np.isfinite(visits.face_distance))
    out = Collector(NO_PAIRS)
    names = evidence.named(visits.setup[pairs], visits.point[pairs])
    for name, value in zip(names, visits.face_distance[pairs].tolist(), strict=True):
        out.add(name, value)
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
        evidence.named(sights.setup[several], sights.point[several]),
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
