"""Surfaces of site.xml: points, faces, breaklines and boundaries of a LandXML 1.2 Surface (TIN)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING
from xml.etree.ElementTree import Element, SubElement

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.write.columns import COORDINATE, DECIMALS
from tieup.write.exchange.escapes import XML_FORBIDDEN, escaped
from tieup.write.exchange.surface_content import SurfaceContent, outer

if TYPE_CHECKING:
    from tieup.write.exchange.content import SiteContent

MARK = "\\u"
SAYS = {
    "drains": "drains",
    "holds": "does not drain",
    "cannot tell": "cannot tell whether it drains",
}


def add_surfaces(root: Element, content: SiteContent) -> None:
    """Add the surfaces of a site to the document."""
    if not content.surfaces:
        return
    group = SubElement(root, "Surfaces", {"name": f"{_draft(content)}surfaces"})
    for surface in content.surfaces:
        _add_surface(group, surface, content)


def _draft(content: SiteContent) -> str:
    return "DRAFT " if content.draft else ""


def _add_surface(group: Element, surface: SurfaceContent, content: SiteContent) -> None:
    draft = _draft(content) or "DRAFT " * bool(surface.unsafe)
    element = SubElement(group, "Surface", {"name": f"{draft}{surface.name}"})
    says = "; ".join([SAYS[surface.verdict], *surface.unsafe])
    element.set("desc", _carried(" ".join([says, content.draft]).strip()))
    source = SubElement(element, "SourceData")
    boundaries = SubElement(source, "Boundaries")
    for number, ring in enumerate(surface.border, 1):
        kind = "outer" if outer(surface, ring) else "void"
        attributes = {"bndType": kind, "edgeTrim": "false", "name": f"boundary {number}"}
        _add_line(SubElement(boundaries, "Boundary", attributes), surface.ring(ring))
    if surface.breaklines:
        lines = SubElement(source, "Breaklines")
        for name, rows in surface.breaklines:
            attributes = {"brkType": "standard", "name": _carried(name)}
            _add_line(SubElement(lines, "Breakline", attributes), surface.places[rows])
    low, high = surface.elevations.min(), surface.elevations.max()
    definition = SubElement(
        element,
        "Definition",
        {
            "surfType": "TIN",
            "elevMin": _number(low),
            "elevMax": _number(high),
            "area2DSurf": _number(plan_area(surface)),
        },
    )
    points = SubElement(definition, "Pnts")
    for number, place in enumerate(surface.places.tolist(), 1):
        SubElement(points, "P", {"id": str(number)}).text = " ".join(map(_number, place))
    faces = SubElement(definition, "Faces")
    for face in (surface.faces + 1).tolist():
        SubElement(faces, "F").text = " ".join(map(str, face))


def plan_area(surface: SurfaceContent) -> float:
    """Return the area of a surface in plan."""
    y, x = (surface.places[surface.faces, axis] for axis in (0, 1))
    u, v = x[:, 1:] - x[:, :1], y[:, 1:] - y[:, :1]
    return float(0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]).sum())


def _add_line(element: Element, places: FloatArray) -> None:
    SubElement(element, "PntList3D").text = " ".join(_numbers(places.reshape(-1).tolist()))


def _numbers(values: Iterable[float]) -> Iterable[str]:
    return map(_number, values)


def _number(value: float) -> str:
    return f"{value:.{DECIMALS[COORDINATE]}f}"


def _carried(text: str) -> str:
    return escaped(text, XML_FORBIDDEN, MARK)
