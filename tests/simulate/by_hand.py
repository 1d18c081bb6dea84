"""Read job files and place points with plain arithmetic: the check on the simulator.

Shares no code with the simulator or the package: csv cells, `math` and complex numbers.
"""

from __future__ import annotations

import cmath
import csv
import math
from collections.abc import Iterator
from pathlib import Path

TO_METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}


def angle(cell: str, unit: str) -> float:
    """Return radians of a cell in one of the six notations."""
    if unit == "rad":
        return float(cell)
    if unit in ("deg", "gon", "mil"):
        return float(cell) * 2 * math.pi / {"deg": 360, "gon": 400, "mil": 6400}[unit]
    sign = -1.0 if cell.startswith("-") else 1.0
    cell = cell.lstrip("-")
    if unit == "dms-packed":
        whole, part = cell.split(".")
        cell = f"{whole}-{part[:2]}-{part[2:4]}.{part[4:]}"
    degrees, minutes, seconds = cell.split("-")
    return sign * math.radians(int(degrees) + int(minutes) / 60 + float(seconds) / 3600)


def rows(folder: Path) -> Iterator[dict[str, str]]:
    """Yield the raw rows of a job, file by file, each with its "file:line" under `at`."""
    for path in sorted((folder / "raw").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            for line, row in enumerate(csv.DictReader(stream), start=2):
                yield {**row, "at": f"raw/{path.name}:{line}"}


def place(
    row: dict[str, str],
    axis: tuple[float, float, float],
    orientation: float,
    *,
    angle_unit: str = "dms",
    length_unit: str = "m",
    refraction: float = 0.13,
) -> tuple[float, float, float]:
    """Return N, E, H (m) of the mark that one row sights from a known axis.

    Curvature and refraction as textbooks give them: the height gains (1 - k) D^2 / 2R.
    """
    direction = angle(row["direction"], angle_unit)
    zenith = angle(row["zenith"], angle_unit)
    if row["face"] == "2":
        direction, zenith = direction - math.pi, 2 * math.pi - zenith
    slope = float(row["distance"]) * TO_METRES[length_unit]
    pole = float(row["target_height"]) * TO_METRES[length_unit]
    # N + iE: the horizontal distance turned to its azimuth. The observed zenith angle gives
    # it too long by D^2 (1 - k) / 2R times the cotangent.
    bend = (1 - refraction) * (slope * math.sin(zenith)) ** 2 / (2 * 6_371_000)
    flat = slope * math.sin(zenith) - bend * slope * math.cos(zenith) / (slope * math.sin(zenith))
    plan = complex(axis[0], axis[1]) + flat * cmath.exp(1j * (orientation + direction))
    return plan.real, plan.imag, axis[2] + slope * math.cos(zenith) + bend - pole
