"""Quantities that tell whether the units are what job.yaml says."""

from __future__ import annotations

import numpy as np

from tieup.audit.evidence import RawEvidence, group_median
from tieup.geometry import TWO_PI, wrap_half
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.reduce.faces import normalise, resolve_face
from tieup.ties.evidence import Collector, Measured

FEW = 10  # angles that can be told apart from packed ones: by luck 0.36^10 = 4e-5
_NOISE = 1e-4  # of the fourth decimal; lost on the way through radians


def distance_ratio(evidence: RawEvidence) -> Measured:
    """Return measured over inverse horizontal distance, minus 1, wherever control is known.

    From an occupied control mark to each sighted one; between two control marks sighted from a
    free station, with the third side by the law of cosines. 2.28 is feet taken as metres, -0.7
    the reverse.
    """
    sights, known = evidence.reduction.sights, evidence.known
    plan = np.asarray(np.isfinite(known[:, :2]).all(axis=1))
    out = Collector("no distance between known marks was measured")
    level = sights.value[:, DISTANCE] * np.sin(_zenith_or_level(sights.value[:, ZENITH]))
    usable = np.flatnonzero(plan[sights.point] & np.isfinite(level))
    starts = np.searchsorted(sights.setup[usable], np.arange(len(evidence.labels) + 1))
    for s, label in enumerate(evidence.labels):
        own = usable[starts[s] : starts[s + 1]]
        station = evidence.station[s]
        if station >= 0 and plan[station]:
            _from_station(out, evidence, label, known[station], own, level)
        else:
            _between_marks(out, evidence, label, own, level)
    return out.done()


def _zenith_or_level(zenith: FloatArray) -> FloatArray:
    return np.where(np.isfinite(zenith), zenith, 0.25 * TWO_PI)


def _from_station(
    out: Collector,
    evidence: RawEvidence,
    label: str,
    station: FloatArray,
    own: IntArray,
    level: FloatArray,
) -> None:
    sights = evidence.reduction.sights
    inverse = np.hypot(*(evidence.known[sights.point[own], :2] - station[:2]).T)
    for k, length in zip(own.tolist(), inverse.tolist(), strict=True):
        _add(out, evidence, label, (int(sights.point[k]),), float(level[k]), length)


def _between_marks(
    out: Collector, evidence: RawEvidence, label: str, own: IntArray, level: FloatArray
) -> None:
    sights = evidence.reduction.sights
    own = own[np.isfinite(sights.value[own, DIRECTION])]
    own = own[np.unique(sights.point[own], return_index=True)[1]]
    for one, other in zip(own[:-1].tolist(), own[1:].tolist(), strict=True):
        angle = sights.value[other, DIRECTION] - sights.value[one, DIRECTION]
        a, b = level[one], level[other]
        side = float(np.sqrt(a * a + b * b - 2.0 * a * b * np.cos(angle)))
        points = (int(sights.point[one]), int(sights.point[other]))
        length = float(np.hypot(*(evidence.known[points[0], :2] - evidence.known[points[1], :2])))
        _add(out, evidence, label, points, side, length)


def _add(
    out: Collector,
    evidence: RawEvidence,
    label: str,
    points: tuple[int, ...],
    measured: float,
    inverse: float,
) -> None:
    if inverse > 0.0:
        names = "-".join(evidence.points[p] for p in points)
        out.add(f"{label} to {names}", measured / inverse - 1.0, inverse)


def packed_digits(evidence: RawEvidence) -> Measured:
    """Return the share of decimal degrees whose digits could be minutes and seconds.

    Decimal degrees with four decimals or more pass by luck in 0.6 x 0.6 = 0.36 of all cases;
    packed degrees (DDD.MMSS) read as decimal ones always do.
    """
    shots, files = evidence.fieldbook.shots, evidence.fieldbook.files
    out = Collector(
        "angles are not stated in decimal degrees"
        if evidence.angle_unit != "deg"
        else f"fewer than {FEW} angles with four decimals"
    )
    angles = np.degrees(np.concatenate([shots.direction, shots.zenith]))
    file = np.concatenate([shots.file, shots.file])
    digits = np.floor(np.mod(angles, 1.0) * 1e4 + _NOISE)
    telling = np.isfinite(digits) & (np.mod(digits, 100.0) != 0.0)
    packed = telling & (np.mod(digits, 100.0) < 60.0) & (digits < 6000.0)
    for number, raw in enumerate(files):
        own = telling & (file == number)
        count = int(own.sum()) if evidence.angle_unit == "deg" else 0
        out.add(raw.name, float(packed[own].mean()) if count >= FEW else np.nan)
    return out.done()


def zenith_median(evidence: RawEvidence) -> Measured:
    """Return how far (rad) the median zenith angle of each setup lies from level."""
    shots = evidence.fieldbook.shots
    face, _ = resolve_face(shots.face, shots.zenith)
    _, zenith = normalise(shots.direction, shots.zenith, face)
    away = wrap_half(zenith - 0.25 * TWO_PI)
    median = group_median(away, shots.setup, len(evidence.labels))
    out = Collector("no zenith angles")
    for label, value in zip(evidence.labels, median.tolist(), strict=True):
        out.add(label, value)
    return out.done()
