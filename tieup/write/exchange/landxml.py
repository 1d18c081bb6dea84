"""site.xml: LandXML 1.2: points as CgPoints, strings as 3-D PlanFeatures, surfaces as Surfaces.

Points that nothing checks stand in a group of their own, which a program that reads the file can
show by itself. Date and time are those of the last shot. Characters that XML cannot hold become
``\\u`` and four hexadecimal digits.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from tieup import __version__
from tieup.write.cautions import CAUTIONS
from tieup.write.columns import COORDINATE, DECIMALS, SPREAD
from tieup.write.exchange.content import AXES, SiteContent, SitePoint, SiteString
from tieup.write.exchange.escapes import XML_FORBIDDEN, escaped
from tieup.write.exchange.landxml_surface import add_surfaces

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
MARK = "\\u"
METRIC = {
    "areaUnit": "squareMeter",
    "linearUnit": "meter",
    "volumeUnit": "cubicMeter",
    "temperatureUnit": "celsius",
    "pressureUnit": "HPA",
}
IMPERIAL = {
    "areaUnit": "squareFoot",
    "linearUnit": "foot",
    "volumeUnit": "cubicFeet",
    "temperatureUnit": "fahrenheit",
    "pressureUnit": "inHG",
    "elevationUnit": "feet",
}
UNITS = {
    "m": ("Metric", METRIC),
    "ft": ("Imperial", IMPERIAL),
    "ftUS": ("Imperial", {**IMPERIAL, "linearUnit": "USSurveyFoot"}),
}
SURVEYED = {"control": "control", "shot": "sideshot"}  # role -> pntSurv
GROUPS = {  # by proof
    "held": "points",
    "checked": "points",
    "unchecked": "unchecked points",
    "disputed": "disputed points",
}
ROLE = {"control": "control point", "derived": "calculated"}  # role -> role, else measured


def landxml_text(content: SiteContent) -> str:
    """Return site.xml."""
    date, _, time = content.moment.partition("T")
    root = Element("LandXML", {"xmlns": NAMESPACE, "version": "1.2", "date": date, "time": time})
    system, attributes = UNITS[content.unit]
    SubElement(SubElement(root, "Units"), system, attributes)
    if content.system.epsg:
        SubElement(
            root,
            "CoordinateSystem",
            {"epsgCode": str(content.system.epsg), "desc": content.system.name},
        )
    if content.draft:
        SubElement(root, "Project", {"name": "DRAFT", "desc": _carried(content.draft)})
    said = " ".join((*content.statements, *CAUTIONS[:-1]))
    SubElement(
        root, "Application", {"name": "tieup", "version": __version__, "desc": _carried(said)}
    )
    mark_of = "DRAFT " if content.draft else ""
    for group in dict.fromkeys(GROUPS.values()):
        points = [point for point in content.points if GROUPS.get(point.proof, "points") == group]
        if points or group == "points":
            _add_points(root, f"{mark_of}{group}", points)
    if content.strings:
        features = SubElement(root, "PlanFeatures", {"name": f"{mark_of}strings"})
        for string in content.strings:
            _add_string(features, string)
    add_surfaces(root, content)
    ElementTree.indent(root, " ")
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _add_points(root: Element, name: str, points: Iterable[SitePoint]) -> None:
    group = SubElement(root, "CgPoints", {"name": name})
    for point in points:
        element = SubElement(group, "CgPoint", {"name": _carried(point.name)})
        if point.code:
            element.set("code", _carried(point.code))
            element.set("desc", _carried(point.code))
        if point.role in SURVEYED:
            element.set("pntSurv", SURVEYED[point.role])
        element.set("role", ROLE.get(point.role, "measured"))
        for axis, sd in zip(AXES, point.sd, strict=True):
            if sd == sd:
                element.set(f"{axis}StdError", f"{sd:.{DECIMALS[SPREAD]}f}")
        element.text = _place(point)


def _add_string(features: Element, string: SiteString) -> None:
    feature = SubElement(features, "PlanFeature", {"name": _carried(string.name)})
    if string.code:
        feature.set("desc", _carried(string.code))
    line = SubElement(SubElement(feature, "CoordGeom"), "IrregularLine")
    SubElement(line, "Start").text = _place(string.points[0])
    SubElement(line, "End").text = _place(string.points[-1])
    SubElement(line, "PntList3D").text = " ".join(map(_place, string.points))


def _place(point: SitePoint) -> str:
    """Return northing, easting and, where it is known, elevation."""
    return " ".join(f"{value:.{DECIMALS[COORDINATE]}f}" for value in point.place if value == value)


def _carried(text: str) -> str:
    return escaped(text, XML_FORBIDDEN, MARK)
