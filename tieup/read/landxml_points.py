"""The points of a LandXML file: coordinates, what kind of mark they are, their precision.

The text of a point is "northing easting [elevation]". A point without text may refer to
another by name; where it has both, its own coordinates count.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tieup.read.xml import Document, Element

_SDS = ("northingStdError", "eastingStdError", "elevationStdError")


@dataclass(frozen=True)
class FilePoint:
    """One CgPoint as written: texts of N, E, H (shorter where not given) and of their sds."""

    name: str
    coordinates: tuple[str, ...]
    sds: tuple[str, str, str]
    control: bool
    code: str
    note: str
    line: int


def file_points(document: Document) -> list[FilePoint]:
    """Return every CgPoint of the file, wherever it stands, in order."""
    elements = list(_cg_points(document.root))
    named: dict[str, Element] = {}
    for element in elements:
        if element.text.strip():
            named.setdefault(element.get("name"), element)
    return [_point(element, named) for element in elements]


def _cg_points(element: Element) -> Iterator[Element]:
    for child in element.children:
        if child.name == "CgPoint":
            yield child
        elif child.name in ("CgPoints", "Survey"):
            yield from _cg_points(child)


def _point(element: Element, named: dict[str, Element]) -> FilePoint:
    source = element
    if not element.text.strip():
        source = named.get(element.get("pntRef"), element)
    return FilePoint(
        name=element.get("name"),
        coordinates=tuple(source.text.split()),
        sds=(source.get(_SDS[0]), source.get(_SDS[1]), source.get(_SDS[2])),
        control=_is_control(element),
        code=element.get("code") or element.get("desc"),
        note=element.get("desc"),
        line=element.line,
    )


def _is_control(element: Element) -> bool:
    return element.get("pntSurv").lower() == "control" or element.get("role") == "control point"


def point_name(element: Element | None) -> str:
    """Return the name that a point element refers to or has; empty where there is none."""
    return (element.get("pntRef") or element.get("name")) if element else ""
