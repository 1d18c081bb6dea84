"""Write a survey as a job folder: job.yaml, control.csv, raw/*.csv."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tests.simulate.draw import ARCSEC
from tests.simulate.notation import (
    HEIGHT_DECIMALS,
    LENGTH_DECIMALS,
    AngleUnit,
    Digits,
    LengthUnit,
    angle_texts,
    length_texts,
)
from tests.simulate.survey import Survey
from tieup.model.arrays import FloatArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.settings import Precision

NEEDED = ("setup", "point", "direction", "zenith", "distance", "target_height", "face", "round")


@dataclass(frozen=True)
class Notation:
    """How numbers are written: unit of angles, unit of lengths, number of digits."""

    angle: AngleUnit = "dms"
    length: LengthUnit = "m"
    digits: Digits = "full"


def _times(seconds: FloatArray) -> list[str]:
    return [
        "" if np.isnan(t) else datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%dT%H:%M:%S")
        for t in seconds.tolist()
    ]


def _of_setup(survey: Survey, values: list[str]) -> list[str]:
    return [values[i] for i in survey.shots.setup.tolist()]


def _instrument(setup: Setup) -> str:
    return "" if setup.instrument == "default" else setup.instrument


def _columns(survey: Survey, notation: Notation) -> dict[str, list[str]]:
    shots, unit, digits = survey.shots, notation.length, notation.digits
    heights = np.array([s.instrument_height if s.station else np.nan for s in survey.setups])
    constant = np.where(shots.prism_constant == 0.0, np.nan, shots.prism_constant)
    columns = {
        "setup": _of_setup(survey, [setup.name for setup in survey.setups]),
        "station": _of_setup(survey, [setup.station for setup in survey.setups]),
        "instrument_height": _of_setup(
            survey, length_texts(heights, unit, HEIGHT_DECIMALS[digits])
        ),
        "point": [survey.points[i] for i in shots.point.tolist()],
        "direction": angle_texts(shots.direction, notation.angle, digits),
        "zenith": angle_texts(shots.zenith, notation.angle, digits),
        "distance": length_texts(shots.distance, unit, LENGTH_DECIMALS[digits]),
        "target_height": length_texts(shots.target_height, unit, HEIGHT_DECIMALS[digits]),
        "face": [str(i) for i in shots.face.tolist()],
        "round": [str(i) for i in shots.round.tolist()],
        "role": shots.role.tolist(),
        "prism_constant": length_texts(constant * 1000.0, "m", 2),  # always in mm
        "target": shots.target.tolist(),
        "instrument": _of_setup(survey, [_instrument(setup) for setup in survey.setups]),
        "code": shots.code.tolist(),
        "string": shots.string.tolist(),
        "time": _times(shots.time),
        "note": shots.note.tolist(),
    }
    return {name: cells for name, cells in columns.items() if name in NEEDED or any(cells)}


def _line(cells: list[str]) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerow(cells)
    return buffer.getvalue()


def raw_texts(survey: Survey, notation: Notation) -> dict[str, str]:
    """Return the text of each raw file by its name; unreadable rows come out damaged."""
    columns = _columns(survey, notation)
    header = list(columns)
    texts = {name: _line(header) for name in survey.files}
    for row, cells in enumerate(zip(*columns.values(), strict=True)):
        damage = survey.damage.get(row)
        line = list(cells)
        if damage:
            line = [damage.cells.get(name, cell) for name, cell in zip(header, line, strict=True)]
        text = _line(line)
        if damage and damage.torn:
            place = header.index(damage.torn)
            text = ",".join([*line[:place], line[place][: len(line[place]) // 2]])
        texts[survey.files[survey.shots.file[row]]] += text
    return texts


def control_text(control: Control, notation: Notation) -> str:
    """Return control.csv; every sd is written out."""
    decimals = LENGTH_DECIMALS[notation.digits]
    header = ["point", "northing", "easting", "elevation"]
    header += ["sd_northing", "sd_easting", "sd_elevation", "note"]
    columns = [
        list(control.names),
        *(length_texts(c, notation.length, decimals) for c in control.coordinates.T),
        *(length_texts(c, notation.length, decimals) for c in control.sd.T),
        list(control.notes),
    ]
    return _line(header) + "".join(_line(list(row)) for row in zip(*columns, strict=True))


def job_text(
    survey: Survey, title: str, notation: Notation, stated: Precision, tolerances: str
) -> str:
    """Return job.yaml."""
    gear = [
        f"  {name}: {{direction: {g.direction / ARCSEC:.6g}, zenith: {g.zenith / ARCSEC:.6g}, "
        f"distance: [{g.distance_constant * 1000:.6g}, {g.distance_ppm:.6g}]}}"
        for name, g in stated.instruments.items()
    ]
    lines = [
        f"title: {title}",
        f"units: {{angle: {notation.angle}, length: {notation.length}}}",
        "raw: [raw/*.csv]",
        *(["control: control.csv", "datum: control"] if survey.control else ["datum: free"]),
        "instruments:   # arc seconds, arc seconds, mm + ppm; 1 sd of one pointing",
        *gear,
        f"centring: {{instrument: {stated.centring_instrument * 1000:.6g}, "
        f"target: {stated.centring_target * 1000:.6g}}}   # mm",
        f"heights: {{instrument: {stated.height_instrument * 1000:.6g}, "
        f"target: {stated.height_target * 1000:.6g}}}   # mm",
        f"atmosphere: {{refraction: {survey.refraction:.6g}}}",
        f"tolerances: {tolerances}",
        "confidence: 0.95",
        "decisions:",
    ]
    return "\n".join(lines) + "\n"


def write_job(
    folder: Path,
    survey: Survey,
    *,
    title: str = "Simulated site",
    angle: AngleUnit = "dms",
    length: LengthUnit = "m",
    digits: Digits = "full",
    stated: Precision | None = None,
    tolerances: str = "paving",
) -> Path:
    """Write a job folder and return it.

    ``stated`` is the precision that job.yaml claims, by default the one the survey was drawn
    with: give one for a survey drawn without noise.
    """
    notation = Notation(angle, length, digits)
    texts = raw_texts(survey, notation)
    texts["job.yaml"] = job_text(survey, title, notation, stated or survey.precision, tolerances)
    if survey.control:
        texts["control.csv"] = control_text(survey.control, notation)
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="")
    return folder
