"""Read LandXML, the open standard, into raw rows.

Version 1.2 and 1.1, by local names. What is meaningful is read; what is not understood is
reported with the unknown columns. A row is a RawObservation, ReducedObservation,
ReducedArcObservation or TestObservation. Rows that the file marks unused or deleted stay as
such, never lost.

What the standard leaves open, and how it is taken here: all angles clockwise; all lengths,
elevations of points included, in ``linearUnit``; precision of the instrument, prism constants
and weather have no stated unit or use, so job.yaml decides and the file's are only reported.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.geometry import TWO_PI
from tieup.model.fieldbook import AbsentColumn, RawFile
from tieup.model.job import BY_SETUP, Job
from tieup.read.absent import HEIGHT
from tieup.read.cells import convert
from tieup.read.file_rows import FileRows
from tieup.read.judge import judge_file
from tieup.read.landxml_points import file_points
from tieup.read.landxml_survey import OBSERVATIONS, Observation, observations_of
from tieup.read.landxml_units import FileUnits, file_units, settle_sixty
from tieup.read.raw_columns import COLUMNS, Cells
from tieup.read.value_words import with_meanings
from tieup.read.xml import Document, Element, read_xml
from tieup.units import parse_angles

_PARTS = ("Units", "CgPoints", "Survey")
_TAKEN = ("setupID", "targetSetupID", "setID", "purpose", "targetHeight", "horizAngle",
          "slopeDistance", "zenithAngle", "horizDistance", "vertDistance", "azimuth", "unused",
          "directFace", "timeStamp", "circlePositionSet", "status", "chordAzimuth", "radius",
          "length", "rot")  # fmt: skip
_NO_ROWS = ("LaserSetup", "GPSSetup", "GPSVector", "GPSPosition", "RedHorizontalPosition",
            "RedVerticalObservation")  # fmt: skip
_STATED = {
    "InstrumentDetails": ("edmAccuracyConstant", "edmAccuracyppm", "edmVertOffset",
                          "horizAnglePrecision", "zenithAnglePrecision", "horizCollimation",
                          "vertCollimation"),
    "Corrections": ("refractionCoefficient", "sphericity", "prismEccentricity"),
    "SurveyHeader": ("temperature", "pressure", "applyAtmosphericCorrection", "scaleFactor",
                     "applySeaLevelCorrection", "seaLevelCorrectionFactor", "combinedFactor"),
    "TargetSetup": ("prismConstant", "edmTargetVertOffset"),
}  # fmt: skip


def is_landxml(path: Path) -> bool:
    """Say whether a file is taken as LandXML: by its suffix, for a table has another."""
    return path.suffix.lower() == ".xml"


def read_landxml(path: Path, name: str, job: Job) -> FileRows:
    """Read the observations of a LandXML file.

    Raises
    ------
    InputError
        The file is no well-formed LandXML or carries entities of its own, has no
        observations, or as a whole cannot be trusted (see `judge_file`).
    """
    document = read_document(path, name)
    points = {point.name: point for point in reversed(file_points(document))}
    surveys = list(document.root.all("Survey"))
    own_turns = job.azimuths == BY_SETUP
    rows = observations_of(surveys, points, set(job.precision.instruments), own_turns)
    if not rows:
        raise InputError(
            f"{name}: has no observations. Expected RawObservation or ReducedObservation in Survey"
        )
    columns = _columns(rows, file_units(document, job))
    columns = with_meanings(columns, job.table["words"])
    converted = convert(columns, len(rows), ".")
    line = np.array([row.line for row in rows], dtype=np.int64)
    judge_file(name, line, columns, converted, "a copy of the file")
    unused = {i: row.unused for i, row in enumerate(rows) if row.unused}
    reasons = {i: "; ".join(why) for i, why in sorted(converted.reasons.items())}
    unknown = _unread(surveys)
    if converted.undated:
        unknown = (*unknown, f"timeStamp ({converted.undated} not ISO 8601)")
    return FileRows(
        raw=RawFile(name, document.sha256, len(rows)),
        line=line,
        values=converted.values,
        reasons={i: why for i, why in reasons.items() if i not in unused},
        observed=converted.observed,
        trusted=np.ones(len(rows), dtype=bool),
        unknown=unknown,
        unused=unused,
        absent=_absent(name, int(line[0]), columns),
    )


def _absent(name: str, line: int, columns: dict[str, Cells]) -> tuple[AbsentColumn, ...]:
    """Say that no observation of the file has a target height."""
    if HEIGHT in columns:
        return ()
    return (AbsentColumn(name, line, HEIGHT, "", "", sure=False),)


def read_document(path: Path, name: str) -> Document:
    """Parse a LandXML file.

    Raises
    ------
    InputError
        The file is no well-formed XML, or is XML of another kind.
    """
    document = read_xml(path, name, _PARTS)
    if document.root.name != "LandXML":
        raise InputError(f"{name}: is XML of another kind ({document.root.name}), not LandXML")
    return document


def _columns(rows: list[Observation], units: FileUnits) -> dict[str, Cells]:
    columns = {}
    for name, quantity in COLUMNS.items():
        texts = [row.cells.get(name, "") for row in rows]
        if not any(texts) and name not in ("setup", "point"):
            continue
        unit, key = "", ""
        if quantity == "angle":
            texts, unit, key = [settle_sixty(text) for text in texts], units.angle, "angularUnit"
            if name == "azimuth":
                unit, key = units.direction, "directionUnit"
        elif quantity in ("length", "distance"):
            unit = units.length
        elif quantity == "time":
            unit = "iso"
        columns[name] = Cells(texts, unit, key, turning=name in ("direction", "azimuth"))
    azimuth = [row.azimuth and bool(row.cells["direction"]) for row in rows]
    if any(azimuth) and units.direction != units.angle:
        columns["direction"] = _in_radians(columns["direction"], azimuth, units)
    return columns


def _in_radians(cells: Cells, azimuth: list[bool], units: FileUnits) -> Cells:
    """Bring azimuths and circle readings, each in its own unit, into one column."""
    texts = list(cells.texts)
    for unit, chosen in ((units.direction, True), (units.angle, False)):
        places = [i for i, is_azimuth in enumerate(azimuth) if is_azimuth == chosen]
        values, _ = parse_angles([texts[i] for i in places], unit)
        for i, value in zip(places, np.mod(values, TWO_PI).tolist(), strict=True):
            texts[i] = repr(value) if value == value else texts[i]
    return Cells(texts, "rad", cells.unit_key, turning=True)


def _unread(surveys: list[Element]) -> tuple[str, ...]:
    """Name what the file says beyond what is read, each once, with how often."""
    counts = Counter(name for survey in surveys for name in _unread_names(survey))
    return tuple(f"{name} ({count})" for name, count in sorted(counts.items()))


def _unread_names(element: Element) -> Iterator[str]:
    for child in element.children:
        if child.name in OBSERVATIONS:
            yield from (f"{child.name} {key}" for key in child.attributes if key not in _TAKEN)
        elif child.name in _NO_ROWS:
            yield child.name
        for key in _STATED.get(child.name, ()):
            if child.get(key):
                yield f"{child.name} {key}, not applied: job.yaml decides"
        yield from _unread_names(child)
