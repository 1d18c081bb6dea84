"""Write an invented day as a job folder: job.yaml, control.csv, raw tables with every digit."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from tests.bench.days import Day, readings

MEMORY = "/dev/shm"  # a file system in memory, where there is one
HEAD = (
    "setup,station,instrument_height,point,direction,zenith,distance,target_height,face,round,role"
)
JOB = """\
title: Invented day
units: {{angle: deg, length: m}}
raw: [raw/*.csv]
datum: {datum}
instruments:
  default: {{direction: {angle}, zenith: {angle}, distance: [{constant}, {scale}]}}
centring: {{instrument: 0.5, target: 1}}
heights: {{instrument: 1, target: 1}}
atmosphere: {{refraction: 0.13}}
tolerances: paving
"""


@contextmanager
def job_folder(day: Day) -> Iterator[Path]:
    """Write a day into a folder that is gone afterwards."""
    where = MEMORY if os.access(MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=where) as name:
        folder = Path(name)
        write_day(day, folder)
        yield folder


def write_day(day: Day, folder: Path) -> None:
    """Write the files of a job into an empty folder."""
    (folder / "raw").mkdir()
    fine = day.world.fine
    text = JOB.format(
        datum="free" if day.free else "control",
        angle=3.0 / fine,
        constant=1.5 / fine,
        scale=2.0 / fine,
    )
    if day.world.said and (day.world.standing or day.world.tripods):
        text += "standing: all\n"
    (folder / "job.yaml").write_text(text, encoding="utf-8")
    if not day.free:
        head = "point,northing,easting,elevation"
        lines = [f"{name},{n:.9f},{e:.9f},{h:.9f}" for name, (n, e, h) in day.control.items()]
        (folder / "control.csv").write_text("\n".join([head, *lines, ""]), encoding="utf-8")
    for number, lines in enumerate(_tables(day)):
        path = folder / file_of(day, number)
        path.write_text("\n".join([HEAD, *lines, ""]), encoding="utf-8")


def file_of(day: Day, bay: int) -> str:
    """Return the name of a setup's raw table inside the job folder."""
    return f"raw/{day.ground.bays[bay].label.lower()}.csv"


def lines_of(day: Day) -> list[tuple[str, int]]:
    """Return file and line of each row; the header is line 1."""
    count = [1] * len(day.ground.bays)
    found = []
    for row in day.rows:
        count[row.bay] += 1
        found.append((file_of(day, row.bay), count[row.bay]))
    return found


def _tables(day: Day) -> list[list[str]]:
    """Return the lines of each setup's raw table."""
    tables: list[list[str]] = [[] for _ in day.ground.bays]
    for row, (direction, zenith, distance) in zip(day.rows, readings(day), strict=True):
        bay = day.ground.bays[row.bay]
        up = f"{day.booked[row.bay]:.7f}" if bay.station else ""
        angles = f"{np.degrees(direction):.11f},{np.degrees(zenith):.11f},{distance:.9f}"
        tables[row.bay].append(
            f"{bay.label},{bay.station},{up},{row.point},{angles},{row.booked:.7f},"
            f"{row.face},{row.round},{row.role}"
        )
    return tables
