"""Quantities of two faces and rounds: pairs, axis errors and their spread, scatter of pointings."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.audit.evidence import RawEvidence, distinct_pairs, group_extreme
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, KINDS, ZENITH
from tieup.reduce.rounds import count_pairs, pairs_of_setups
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
    visits = _at_control(evidence)
    setup, point = distinct_pairs(evidence.visits.setup[visits], evidence.visits.point[visits])
    return _counted(evidence, setup, point, count_pairs(evidence.face_pairs, setup, point))


def control_pointings(evidence: RawEvidence) -> Measured:
    """Count the pointings of each setup at each control mark, faces and rounds together."""
    visits, span = evidence.visits, len(evidence.points)
    own = _at_control(evidence)
    keys, group = np.unique(visits.setup[own] * span + visits.point[own], return_inverse=True)
    number = np.bincount(group, weights=visits.count.max(axis=1)[own], minlength=len(keys))
    return _counted(evidence, *np.divmod(keys, span), number)


def _at_control(evidence: RawEvidence) -> IntArray:
    """Return the visits to control marks."""
    known = np.asarray(np.isfinite(evidence.known).any(axis=1))
    return np.flatnonzero(known[evidence.visits.point])


def _counted(
    evidence: RawEvidence, setup: IntArray, point: IntArray, number: NDArray[Any]
) -> Measured:
    """Return a number (n,) of each setup and control mark."""
    out = Collector("no control mark was sighted")
    names = evidence.named(setup, point)
    for name, value in zip(names, number.tolist(), strict=True):
        out.add(name, float(value))
    return out.done()


def _mean(evidence: RawEvidence, column: int) -> Measured:
    """Return half the mean of 2c or 2i (rad) over the pairs of each setup."""
    means = pairs_of_setups(evidence.face_pairs, len(evidence.labels)).mean[:, column]
    out = Collector(NO_PAIRS)
    for label, value in zip(evidence.labels, means.tolist(), strict=True):
        out.add(label, abs(value) / 2.0)
    return out.done()


def collimation(evidence: RawEvidence) -> Measured:
    """Return the mean collimation error (rad) of each setup."""
    return _mean(evidence, 0)


def vertical_index(evidence: RawEvidence) -> Measured:
    """Return the mean vertical index error (rad) of each setup."""
    return _mean(evidence, 1)


def _spread(evidence: RawEvidence, two: FloatArray) -> Measured:
    """Return the largest 2c or 2i of each setup minus its smallest, at the nearer of the two."""
    pairs, labels = evidence.face_pairs, evidence.labels
    known = np.flatnonzero(np.isfinite(two))
    order = known[np.lexsort((two[known], pairs.setup[known]))]
    setup = pairs.setup[order]
    out = Collector("fewer than two marks pointed in both faces")
    first = np.searchsorted(setup, np.arange(len(labels)), side="left")
    last = np.searchsorted(setup, np.arange(len(labels)), side="right") - 1
    for label, a, b in zip(labels, first.tolist(), last.tolist(), strict=True):
        if b <= a:
            out.add(label, np.nan)
            continue
        low, high = order[a], order[b]
        nearer = float(np.fmin(pairs.away[low], pairs.away[high]))
        out.add(label, float(two[high] - two[low]), nearer)
    return out.done()


def collimation_spread(evidence: RawEvidence) -> Measured:
    """Return the spread of 2c (rad) within each setup."""
    return _spread(evidence, evidence.face_pairs.two_c)


def index_spread(evidence: RawEvidence) -> Measured:
    """Return the spread of 2i (rad) within each setup."""
    return _spread(evidence, evidence.face_pairs.two_i)


def face_distance(evidence: RawEvidence) -> Measured:
    """Return the difference (m) of the distances in two faces, pair by pair."""
    pairs = evidence.face_pairs
    both = np.flatnonzero(np.isfinite(pairs.distance))
    out = Collector(NO_PAIRS)
    names = evidence.named(pairs.setup[both], pairs.point[both])
    for name, value in zip(names, pairs.distance[both].tolist(), strict=True):
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
