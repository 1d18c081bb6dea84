"""Read a surface (TIN) out of a LandXML file: its points and faces."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from tieup.errors import InputError
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.job import Job
from tieup.read.landxml_units import file_units
from tieup.read.xml import Element, read_xml
from tieup.units import length_factor

HIDDEN = "1"  # attribute i of a face that is not shown


def read_surface(path: Path, job: Job) -> tuple[FloatArray, IntArray]:
    """Return the places (n, 3) in m and the triangles (t, 3) of the one surface of a file.

    Raises
    ------
    InputError
        The file cannot be read, states no units, has no surface or several, or faces without
        their points.
    """
    name = job.name_of(path)
    document = read_xml(path, name, ("Units", "Surfaces"))
    found = [one for group in document.root.all("Surfaces") for one in group.all("Surface")]
    if len(found) != 1:
        names = ", ".join(one.get("name") for one in found) or "none"
        raise InputError(f"{name}: has the surfaces {names}. Expected a file with one Surface")
    definition = found[0].first("Definition")
    points = definition.first("Pnts") if definition else None
    faces = definition.first("Faces") if definition else None
    if points is None or faces is None:
        raise InputError(f"{name}:{found[0].line}: has no Pnts and Faces. Expected a TIN surface")
    numbers: dict[str, int] = {}
    places = [_place(point, name, numbers) for point in points.all("P")]
    rows = [_face(face, name, numbers) for face in faces.all("F") if face.get("i") != HIDDEN]
    units = document.root.first("Units")
    if units is None or not units.children:
        raise InputError(
            f"{name}:{(units or document.root).line}: states no Units. Expected Metric or Imperial "
            'with a linearUnit, as in <Units><Metric linearUnit="meter"/></Units>'
        )
    factor = length_factor(file_units(document, job).length)
    return (
        np.array(places).reshape(-1, 3) * factor,
        np.array(rows, dtype=np.int64).reshape(-1, 3),
    )


def _place(point: Element, name: str, numbers: dict[str, int]) -> list[float]:
    numbers[point.get("id")] = len(numbers)
    try:
        north, east, elevation = place = [float(word) for word in point.text.split()]
        if not all(map(math.isfinite, (north, east, elevation))):
            raise ValueError
    except ValueError as error:
        raise InputError(
            f"{name}:{point.line}: a point is {point.text.strip()[:40]}. Expected northing, "
            "easting, elevation"
        ) from error
    return place


def _face(face: Element, name: str, numbers: dict[str, int]) -> list[int]:
    ids = face.text.split()
    if len(ids) != 3 or any(own not in numbers for own in ids):
        raise InputError(
            f"{name}:{face.line}: a face is {face.text.strip()[:40]}. Expected the ids of three "
            "points of the surface"
        )
    return [numbers[own] for own in ids]
