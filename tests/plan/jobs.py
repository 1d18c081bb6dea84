"""Job folders with a plan: invented, or taken from a survey as it was shot."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.simulate import Survey

JOB = """\
title: Invented yard
units: {angle: deg, length: m}
raw: [raw/*.csv]
control: control.csv
datum: control
instruments:
  default: {direction: 2, zenith: 2, distance: [1.5, 2.0]}
centring: {instrument: 0.5, target: 1.0}
heights: {instrument: 1.0, target: 0.8}
tolerances: paving
plan: {places: places.csv, sights: sights.csv}
"""
CONTROL = """\
point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation
CP1,1000,1000,10,0.001,0.001,0.001
CP2,1060,1000,11,0.001,0.001,0.001
CP3,1060,1060,12,0.001,0.001,0.001
CP4,1000,1060,11,0.001,0.001,0.001
"""
PLACES = """\
point,northing,easting,elevation
S1,1025,1020,12
S2,1035,1045,12.5
T1,1030,1030,11
T2,1045,1032,11
T3,1020,1040,11
"""
SIGHTS = """\
setup,station,point,target_height,rounds,faces
S1,,CP1,1.6,1,2
S1,,CP2,1.6,1,2
S1,,CP4,1.6,1,2
S1,,T1,1.6,1,2
S1,,T2,1.6,1,2
S1,,T3,1.6,1,2
S2,,CP2,1.6,1,2
S2,,CP3,1.6,1,2
S2,,CP4,1.6,1,2
S2,,T1,1.6,1,2
S2,,T2,1.6,1,2
S2,,T3,1.6,1,2
"""


def write_plan_job(
    folder: Path,
    *,
    job: str = JOB,
    control: str | None = CONTROL,
    places: str | None = PLACES,
    sights: str = SIGHTS,
) -> Path:
    """Write a job folder that has a plan and nothing shot."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {"job.yaml": job, "control.csv": control, "places.csv": places, "sights.csv": sights}
    for name, text in files.items():
        if text is not None:
            (folder / name).write_text(text, encoding="utf-8")
    return folder


def without(text: str, *starts: str) -> str:
    """Return a text without the lines that begin so."""
    return "".join(line for line in text.splitlines(keepends=True) if not line.startswith(starts))


def table_text(header: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Return a plain CSV; numbers with all their digits."""
    lines = [",".join(header)]
    lines += [
        ",".join(repr(float(c)) if isinstance(c, float) else str(c) for c in row) for row in rows
    ]
    return "\n".join(lines) + "\n"


def plan_of_survey(folder: Path, survey: Survey, job: str = JOB) -> Path:
    """Write the plan of a survey drawn without errors: its sights, at its true places."""
    truth, shots = survey.truth, survey.shots
    place = dict(zip(truth.points, truth.position.tolist(), strict=True))
    free = [s for s in survey.setups if not s.station]
    axis = dict(zip(truth.setups, truth.axis.tolist(), strict=True))
    known = set(survey.control.names) if survey.control is not None else set()
    rows: list[tuple[object, ...]] = []
    keys = np.column_stack([shots.setup, shots.point])
    for setup, point in np.unique(keys, axis=0).tolist():
        own = np.flatnonzero((shots.setup == setup) & (shots.point == point))
        faces = len(np.unique(shots.face[own]))
        assert len(own) % faces == 0
        stand = survey.setups[setup]
        rows.append(
            (
                stand.label,
                stand.station,
                float(stand.instrument_height) if stand.station else "",
                survey.points[point],
                float(shots.target_height[own[0]]),
                len(own) // faces,
                faces,
            )
        )
    header = (
        "setup", "station", "instrument_height", "point", "target_height", "rounds", "faces",
    )  # fmt: skip
    places = [(name, *map(float, at)) for name, at in place.items() if name not in known]
    places += [(s.label, *map(float, axis[s.label])) for s in free]
    control = None
    if survey.control is not None:
        c = survey.control
        control = table_text(
            ("point", "northing", "easting", "elevation", "sd_northing", "sd_easting",
             "sd_elevation"),
            [(n, *map(float, at), *map(float, sd))
             for n, at, sd in zip(c.names, c.coordinates.tolist(), c.sd.tolist(), strict=True)],
        )  # fmt: skip
    else:
        job = job.replace("control: control.csv\ndatum: control\n", "datum: free\n")
    return write_plan_job(
        folder,
        job=job,
        control=control,
        places=table_text(("point", "northing", "easting", "elevation"), places),
        sights=table_text(header, rows),
    )
