"""site.xml: valid by the published schema, and the same site through other readers and our own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.at_hand import LANDXML_XSD, needs_schema
from tests.write.exchange_site import content_of, hostile_site, number, truth
from tests.write.sample import make_job
from tieup.read.landxml_control import read_landxml_control
from tieup.read.landxml_points import file_points
from tieup.read.xml import read_xml
from tieup.write.exchange.escapes import restored
from tieup.write.exchange.landxml import MARK, NAMESPACE, landxml_text

SPACE = {"x": NAMESPACE}
AXES = ("northing", "easting", "elevation")


def written(folder: Path, unit: str = "m") -> Path:
    """Write site.xml of the hostile site, whose job is in the same unit."""
    path = folder / "site.xml"
    path.write_bytes(landxml_text(content_of(hostile_site(folder, unit))).encode())
    return path


def group_of(row: dict[str, str]) -> str:
    """Return the group that a point of coordinates.csv belongs into."""
    return "unchecked points" if row["proof"] == "unchecked" else "points"


def by_group(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    """Return the rows in the order of the file: what is checked first."""
    return sorted(rows, key=lambda row: row["proof"] == "unchecked")


@needs_schema
@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_the_file_is_valid_by_two_validators(tmp_path: Path, unit: str) -> None:
    """libxml2 (lxml) and xmlschema find no fault by the schema that landxml.org published."""
    etree, xmlschema = pytest.importorskip("lxml.etree"), pytest.importorskip("xmlschema")
    path = written(tmp_path, unit)
    validator = etree.XMLSchema(etree.parse(LANDXML_XSD))
    assert validator.validate(etree.parse(path)), validator.error_log
    spoiled = tmp_path / "spoiled.xml"
    spoiled.write_bytes(path.read_bytes().replace(b"linearUnit", b"lineUnit"))
    assert not validator.validate(etree.parse(spoiled))
    assert not list(xmlschema.XMLSchema(LANDXML_XSD).iter_errors(path))


def test_points_and_strings_come_back_identical_through_lxml(tmp_path: Path) -> None:
    """Each cell of coordinates.csv is in the file to the letter, whatever the name holds."""
    etree = pytest.importorskip("lxml.etree")
    site = hostile_site(tmp_path)
    root = etree.parse(written(tmp_path)).getroot()
    found = {
        (group.get("name"), restored(point.get("name"), MARK)): point
        for group in root.findall("x:CgPoints", SPACE)
        for point in group.findall("x:CgPoint", SPACE)
    }
    expected = {(group_of(row), row["point"]): row for row in by_group(truth(site))}
    assert list(found) == list(expected)
    for key, row in expected.items():
        point = found[key]
        assert point.text.split() == [row[axis] for axis in AXES if row[axis]]
        assert restored(point.get("code", ""), MARK) == row["code"]
        for axis in AXES:
            assert point.get(f"{axis}StdError", "") == row[f"sd_{axis}"]
    assert root.findall(".//{*}script") == []


def test_strings_come_back_identical_through_lxml(tmp_path: Path) -> None:
    """Each string is a 3-D line under its own name, from its first point to its last."""
    etree = pytest.importorskip("lxml.etree")
    content = content_of(hostile_site(tmp_path))
    root = etree.parse(written(tmp_path)).getroot()
    features = root.findall("x:PlanFeatures/x:PlanFeature", SPACE)
    assert len(features) == len(content.strings) > 20
    for feature, string in zip(features, content.strings, strict=True):
        assert restored(feature.get("name"), MARK) == string.name
        assert restored(feature.get("desc"), MARK) == string.code
        line = feature.find("x:CoordGeom/x:IrregularLine", SPACE)
        values = [float(value) for value in line.find("x:PntList3D", SPACE).text.split()]
        assert values == [value for point in string.points for value in point.place]
        start, end = (line.find(f"x:{name}", SPACE).text for name in ("Start", "End"))
        assert [*map(float, start.split()), *map(float, end.split())] == values[:3] + values[-3:]


@pytest.mark.parametrize(
    ("unit", "system", "length", "elevation"),
    [
        ("m", "Metric", "meter", None),
        ("ft", "Imperial", "foot", "feet"),
        ("ftUS", "Imperial", "USSurveyFoot", "feet"),
    ],
)
def test_the_unit_is_stated(
    tmp_path: Path, unit: str, system: str, length: str, elevation: str | None
) -> None:
    """Units has the standard's word; the default unit of elevations, metre, is not left to foot."""
    etree = pytest.importorskip("lxml.etree")
    (stated,) = etree.parse(written(tmp_path, unit)).getroot().find("x:Units", SPACE)
    assert etree.QName(stated).localname == system
    assert (stated.get("linearUnit"), stated.get("elevationUnit")) == (length, elevation)


def test_our_own_reader_gets_the_same_points(tmp_path: Path) -> None:
    """Names, coordinates and sds read back are those written."""
    path = written(tmp_path)
    points = file_points(read_xml(path, "site.xml", ("CgPoints", "Units")))
    rows = by_group(truth(hostile_site(tmp_path)))
    assert len(points) == len(rows)
    for point, row in zip(points, rows, strict=True):
        assert restored(point.name, MARK) == row["point"].strip()
        assert point.coordinates == tuple(row[axis] for axis in AXES if row[axis])
        assert point.sds == tuple(row[f"sd_{axis}"] for axis in AXES)


def test_control_goes_out_and_comes_in_as_control(tmp_path: Path) -> None:
    """A control mark written in US survey feet is control of the next job at the same place."""
    path = written(tmp_path, "ftUS")
    control = read_landxml_control(path, make_job(tmp_path))
    (row,) = (row for row in truth(hostile_site(tmp_path, "ftUS")) if row["role"] == "control")
    assert control.names == (row["point"],)
    expected = [(number(row[axis]) or 0.0) * 1200 / 3937 for axis in AXES]
    assert control.coordinates[0].tolist() == pytest.approx(expected, abs=1e-9)  # m
    assert control.sd[0, 0] == 0.0
