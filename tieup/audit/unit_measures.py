"""Quantities that tell whether the units are what job.yaml says."""

from __future__ import annotations

import numpy as np

from tieup.audit.raw_evidence import RawEvidence
from tieup.geometry import TWO_PI, wrap_half
from tieup.reduce.faces import normalise, resolve_face
from tieup.reduce.groups import group_median
from tieup.reduce.known_lengths import known_lengths
from tieup.reduce.measured import Collector, Measured

FEW = 10  # angles that can be told apart from packed ones: by luck 0.36^10 = 4e-5
_NOISE = 1e-4  # of the fourth decimal; lost on the way through radians


def distance_ratio(evidence: RawEvidence) -> Measured:
    """Return measured over inverse horizontal distance, minus 1, wherever control is known.

    From an occupied control mark to each sighted one; between two control marks sighted from a
    free station, with the third side by the law of cosines. 2.28 is feet taken as metres, -0.7
    the reverse.
    """
    sights, known = evidence.reduction.sights, evidence.known[:, :2]
    over = evidence.station[:, None] >= 0
    station = np.where(over, known[evidence.station], np.nan)
    found = known_lengths(sights, station, known[sights.point])
    ends = np.column_stack([found.start, found.end]).tolist()
    point, points = sights.point.tolist(), evidence.points
    names = ["-".join(points[point[k]] for k in pair if k >= 0) for pair in ends]
    labels = [evidence.setups[s] for s in found.setup.tolist()]
    return Measured(
        found.measured / found.inverse - 1.0,
        tuple(f"{label} to {name}" for label, name in zip(labels, names, strict=True)),
        found.inverse,
        np.ones(len(names)),
        reason="" if names else "no distance between known marks was measured",
    )


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
    median = group_median(away, shots.setup, len(evidence.setups))
    out = Collector("no zenith angles")
    for label, value in zip(evidence.setups, median.tolist(), strict=True):
        out.add(label, value)
    return out.done()
