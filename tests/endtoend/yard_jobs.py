"""Small yards without errors as jobs: four control marks, one setup, points shot once.

Readings are computed from the true places by plane geometry alone, so that a job's answer is known.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

STAND = (1003.3, 1004.7, 101.6)
TARGET = 1.5
CONTROL = [
    ("CP1", 1040, 1040, 100.0),
    ("CP2", 1040, 960, 100.0),
    ("CP3", 960, 960, 100.0),
    ("CP4", 960, 1040, 100.0),
]
COLUMNS = "setup,point,direction,zenith,distance,target_height,face,round,role,target,code,string"
JOB = """units: {angle: dms, length: m}
atmosphere: {refraction: 1}
instruments:
  default: {direction: 1, zenith: 1, distance: [0.5, 1]}
heights: {instrument: 0.3, target: 0.3}
centring: {instrument: 0.3, target: 0.3}
"""


@dataclass(frozen=True)
class Shot:
    """A point as it is shot; ``flat`` where the row has no zenith, so that it has no height."""

    point: str
    north: float
    east: float
    height: float
    code: str
    string: str = ""
    flat: bool = False


def ring(
    prefix: str, string: str, heights: Sequence[float], corner: float = 1010.0, side: float = 20.0
) -> list[Shot]:
    """Return a closed square, its corners at given heights, its first point shot again."""
    plan = [(0.0, 0.0), (0.0, side), (side, side), (side, 0.0)]
    found = [
        Shot(f"{prefix}{i}", corner + n, corner + e, h, string.lower(), string)
        for i, ((n, e), h) in enumerate(zip(plan, heights, strict=True), 1)
    ]
    return [*found, found[0]]


def write_job(folder: Path, shots: Sequence[Shot], surfaces: str) -> Path:
    """Write a job and return its folder."""
    (folder / "raw").mkdir(parents=True)
    marks = [Shot(name, n, e, h, "nail") for name, n, e, h in CONTROL]
    rows = [_row(mark, face, "backsight") for face in (1, 2) for mark in marks]
    rows += [_row(shot, 1, "side") for shot in shots]
    with (folder / "raw" / "s1.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([COLUMNS.split(","), *rows])
    lines = ["point,northing,easting,elevation", *(",".join(map(str, row)) for row in CONTROL)]
    (folder / "control.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "job.yaml").write_text(f"{JOB}surfaces:\n{surfaces}\n", encoding="utf-8")
    return folder


def _row(shot: Shot, face: int, role: str) -> list[str]:
    north, east = shot.north - STAND[0], shot.east - STAND[1]
    flat, up = math.hypot(north, east), shot.height + TARGET - STAND[2]
    azimuth, zenith = math.degrees(math.atan2(east, north)), math.degrees(math.atan2(flat, up))
    if face == 2:
        azimuth, zenith = azimuth + 180.0, 360.0 - zenith
    slope = f"{math.hypot(flat, up):.5f}"
    angles = [_dms(azimuth), "" if shot.flat else _dms(zenith)]
    distance = f"{flat:.5f}" if shot.flat else slope
    texts = [str(face), "1", role, "prism", shot.code, shot.string]
    return ["S1", shot.point, *angles, distance, f"{TARGET:.3f}", *texts]


def _dms(degrees: float) -> str:
    hundredths = round(degrees % 360.0 * 360000.0) % 129600000
    minutes, rest = divmod(hundredths, 6000)
    return f"{minutes // 60}-{minutes % 60:02d}-{rest / 100:05.2f}"
