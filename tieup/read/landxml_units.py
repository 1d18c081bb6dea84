"""The units a LandXML file states, and its angles as text.

Angles are parsed as text, never as floats: in ``decimal dd.mm.ss`` the digits are degrees,
minutes and seconds, and trailing zeros are dropped. All angles run clockwise (the schema says
counter-clockwise, real files do not); negative values occur and mean what they say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from tieup.errors import InputError
from tieup.model.job import Job
from tieup.read.xml import Document, Element

_ANGLES = {
    "radians": "rad",
    "grads": "gon",
    "decimal degrees": "deg",
    "decimal dd.mm.ss": "dms-packed",
}
_LENGTHS = {
    "millimeter": "mm",
    "centimeter": "cm",
    "meter": "m",
    "kilometer": "km",
    "foot": "ft",
    "USSurveyFoot": "ftUS",
    "inch": "in",
    "mile": "mi",
}
_SIXTY = re.compile(r"([+-]?)(\d+)\.(?:(60)|(\d\d)60)0*", re.ASCII)


@dataclass(frozen=True)
class FileUnits:
    """Units by our names: of angles and zenith angles, of directions (azimuths), of lengths."""

    angle: str
    direction: str
    length: str


def file_units(document: Document, job: Job) -> FileUnits:
    """Return the units of a file; where it has no Units at all, those of the job.

    An absent angular unit means radians: so the standard says.

    Raises
    ------
    InputError
        A unit is none of the standard's.
    """
    units = document.root.first("Units")
    system = next(iter(units.children), None) if units else None
    if system is None:
        return FileUnits(job.angle_unit, job.angle_unit, job.length_unit)
    return FileUnits(
        angle=_unit(document, system, "angularUnit", _ANGLES, "rad"),
        direction=_unit(document, system, "directionUnit", _ANGLES, "rad"),
        length=_unit(document, system, "linearUnit", _LENGTHS, job.length_unit),
    )


def _unit(
    document: Document, system: Element, attribute: str, known: dict[str, str], default: str
) -> str:
    text = system.get(attribute)
    if not text:
        return default
    for word, unit in known.items():
        if word.lower() == text.lower():
            return unit
    raise InputError(
        f"{document.name}:{system.line}: {attribute} is {text}. LandXML has {', '.join(known)}"
    )


def settle_sixty(text: str) -> str:
    """Carry a packed angle with 60 seconds or 60 minutes, which the standard allows.

    >>> settle_sixty("45.3060"), settle_sixty("-0.5960"), settle_sixty("45.3059")
    ('45.31', '-1.00', '45.3059')
    """
    if "60" not in text or not (match := _SIXTY.fullmatch(text)):
        return text
    sign, degrees, _, minutes = match.groups()
    total = int(degrees) * 60 + (60 if minutes is None else int(minutes) + 1)
    if minutes is not None and int(minutes) > 59:
        return text
    return f"{sign}{total // 60}.{total % 60:02d}"
