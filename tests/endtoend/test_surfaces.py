"""The drill yard from raw rows to the grading machine: verdicts, tables, files, screens, errors."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import geopandas
import numpy as np
import pytest
import shapely
from lxml import etree

import tieup
from tests.at_hand import LANDXML_XSD, needs_schema
from tieup import cli

ROOT = Path(__file__).parents[2]
YARD = ROOT / "sample_raw" / "drill_yard"
NAME = {"x": "http://www.landxml.org/schema/LandXML-1.2"}


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Reconcile a copy of the drill yard with all files for other programs."""
    folder = tmp_path_factory.mktemp("jobs") / "drill_yard"
    shutil.copytree(YARD, folder)
    also = [word for form in ("landxml", "dxf", "gpkg", "geojson") for word in ("--also", form)]
    assert cli.outcome(["reconcile", str(folder), "--quiet", *also]) == 1  # a pond is in it
    return folder


@pytest.fixture(scope="module")
def result(job: Path) -> tieup.SurfaceResult:
    return tieup.surface(job)


def test_the_pond_of_8_mm_is_proved_and_that_of_2_mm_is_not(result: tieup.SurfaceResult) -> None:
    """As planted (tests/simulate/drill_yard.py); depths within 3 sds of the truth."""
    ponds = result.table("yard", "ponds").set_index("point")
    assert ponds["verdict"].to_dict() == {"POND8": "holds", "POND2": "cannot tell"}
    for name, depth in (("POND8", 0.008), ("POND2", 0.002)):
        assert abs(ponds["depth"][name] - depth) < 3 * ponds["sd_depth"][name]
    assert result.verdicts == {"yard": "holds"} and result.status == 1


def test_each_inlet_takes_its_half(result: tieup.SurfaceResult) -> None:
    """The high line between the inlets halves the yard of 37.5 m by 96 m."""
    shares = result.record["surfaces"][0]["drains_to"]
    assert [share["way_out"] for share in shares[:2]] == ["inlet IN1", "inlet IN2"]
    assert [share["area"] for share in shares[:2]] == pytest.approx([1800, 1800], rel=0.01)


def test_the_surface_is_made_of_what_was_asked_for(result: tieup.SurfaceResult) -> None:
    """Typed lid in place of the shot one, projected foot of the wall, no wall top, no control."""
    points = result.table("yard", "points")
    names = set(points["point"])
    assert "LID-RIM" in names and "LID" not in names
    assert sum(name.startswith("WALL-FOOT") for name in names) == 19
    assert not names & {"CP5", "T8", "S1"} and {"IN1", "POND2", "W1", "W2"} <= names
    rim = points.set_index("point").loc["LID-RIM"]
    assert rim["elevation"] == pytest.approx(112.335) and rim["sd_elevation"] == 0
    assert rim["proof"] == "unchecked"
    faces = result.table("yard", "faces")
    assert faces[["a", "b", "c"]].to_numpy().min() == 1
    assert faces[["a", "b", "c"]].to_numpy().max() == len(points)


def test_heights_of_the_surface_are_those_of_the_coordinates(job: Path) -> None:
    """Each vertex that is a point has its row of coordinates.csv, to the last digit."""
    points, site = (
        {row["point"]: row for row in map(dict, _rows(job / "out" / name))}
        for name in ("surface_yard_points.csv", "coordinates.csv")
    )
    for name, row in points.items():
        assert [row[k] for k in ("northing", "easting", "elevation", "proof")] == [
            site[name][k] for k in ("northing", "easting", "elevation", "proof")
        ]


def _rows(path: Path) -> list[dict[str, str]]:
    import csv

    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@needs_schema
def test_landxml_holds_the_surface_and_is_valid(job: Path) -> None:
    """Valid by the published schema; points, faces, breaklines and boundary read back."""
    path = job / "out" / "site.xml"
    etree.XMLSchema(etree.parse(LANDXML_XSD)).assertValid(etree.parse(path))
    root = ElementTree.parse(path).getroot()
    (surface,) = root.findall("x:Surfaces/x:Surface", NAME)
    points = {
        p.get("id"): [float(v) for v in p.text.split()] for p in surface.iterfind(".//x:P", NAME)
    }
    faces = [f.text.split() for f in surface.iterfind(".//x:F", NAME)]
    told = _rows(job / "out" / "surface_yard_faces.csv")
    assert faces == [[row["a"], row["b"], row["c"]] for row in told]
    for row in _rows(job / "out" / "surface_yard_points.csv"):
        place = [float(row[k]) for k in ("northing", "easting", "elevation")]
        assert points[row["id"]] == pytest.approx(place, abs=1e-9)
    area = sum(shapely.Polygon([points[i][1::-1] for i in face]).area for face in faces)
    definition = surface.find("x:Definition", NAME)
    assert float(definition.get("area2DSurf")) == pytest.approx(area, abs=1e-3)
    (ring,) = surface.findall(".//x:Boundary/x:PntList3D", NAME)
    places = np.array(ring.text.split(), dtype=float).reshape(-1, 3)
    assert shapely.Polygon(places[:, 1::-1]).area == pytest.approx(area, abs=1e-3)
    names = {line.get("name") for line in surface.iterfind(".//x:Breakline", NAME)}
    assert names == {"SLAB", "HIGH", "WALL-FOOT"}


def test_dxf_geopackage_and_geojson_hold_the_same_triangles(job: Path) -> None:
    """By ezdxf and GDAL: as many, of the same area; contours at even heights."""
    out, count = job / "out", len(_rows(job / "out" / "surface_yard_faces.csv"))
    drawing = ezdxf.readfile(out / "site.dxf")
    assert not drawing.audit().errors
    faces = drawing.modelspace().query('3DFACE[layer=="SURFACE_yard"]')
    flat = [
        [(face.dxf.get(f"vtx{i}").x, face.dxf.get(f"vtx{i}").y) for i in range(3)] for face in faces
    ]
    areas = [sum(shapely.Polygon(ring).area for ring in flat)]
    for frame in (
        geopandas.read_file(out / "site.gpkg", layer="triangles"),
        geopandas.read_file(out / "site.geojson").query("triangle == triangle"),
    ):
        assert len(frame) == count and frame.geometry.is_valid.all()
        areas.append(frame.geometry.area.sum())
    assert areas == pytest.approx([areas[0]] * 3, abs=1e-3)
    contours = geopandas.read_file(out / "site.gpkg", layer="contours")
    levels = contours["elevation"].to_numpy() / 0.05
    assert np.abs(levels - levels.round()).max() < 1e-6 and len(contours) > 10
    heights = {round(z, 6) for line in contours.geometry for _, _, z in line.coords}
    assert heights == {round(level, 6) for level in contours["elevation"]}


def test_a_draft_says_so_and_without_draft_none_leaves(tmp_path: Path) -> None:
    """A setup without ties: the gate of the other files holds for the surface in them."""
    folder = tmp_path / "job"
    shutil.copytree(ROOT / "sample_raw" / "fire_station", folder)
    with (folder / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write("surfaces: {yard: {}}\n")
    assert cli.outcome(["reconcile", str(folder), "--quiet", "--also", "landxml"]) == 1
    assert not list((folder / "out").glob("site*"))
    cli.outcome(["reconcile", str(folder), "--quiet", "--also", "landxml", "--draft"])
    root = ElementTree.parse(folder / "out" / "site.draft.xml").getroot()
    (surface,) = root.findall("x:Surfaces/x:Surface", NAME)
    assert surface.get("name") == "DRAFT yard" and "DRAFT" in surface.get("desc")


def test_the_screen_gives_the_answer_on_one_screen(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """40 lines of 80 columns; what drains not, what cannot be told, what is not proved."""
    assert cli.outcome(["surface", str(job), "--width", "80"]) == 1
    text = capsys.readouterr().out
    lines = text.splitlines()
    assert len(lines) <= 40 and max(map(len, lines)) <= 80
    assert lines[0].startswith("YARD DOES NOT DRAIN: POND8")
    for word in ("CANNOT TELL", "POND2", "Not proved", "WATER GOES TO", "inlet IN1"):
        assert word in text
    assert cli.outcome(["surface", str(job), "--width", "40"]) == 1
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 40
    assert cli.outcome(["surface", str(job), "--json"]) == 1
    record = json.loads(capsys.readouterr().out)
    assert record["surfaces"][0]["verdict"] == "holds"


def test_none_needed_for_a_first_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A job without surfaces: tieup surface makes one of all that was shot, writing nothing."""
    folder = tmp_path / "dock"
    shutil.copytree(ROOT / "sample_raw" / "two_setups", folder)
    cli.outcome(["surface", str(folder)])
    assert "GROUND" in capsys.readouterr().out
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (
            "{yard: {strings: [EDG]}}",
            "surfaces.yard.strings is EDG, and the job has no such string",
        ),
        ("{yard: {inlets: [IN3]}}", "no such point or code"),
        ("{yard: {boundry: EDGE}}", "boundry is not a key here. Did you mean boundary?"),
        ("{yard: {limits: [{set: asfalt}]}}", 'surfaces.yard.limits 1.set is "asfalt"'),
        ("{yard: {limits: [{set: accessible-route}]}}", "Expected along:"),
        ("{yard: {longest_edge: 0}}", "longest_edge"),
        ("{../x: {}}", "is no name for a file"),
        ("{yard: {against: {surface: base}}}", "no other surface of that name"),
        ("{yard: {against: {thickness: 0.05}}}", "Expected one of surface"),
        ("{base: {}, yard: {against: {surface: bas}}}", "of that name. Did you mean base?"),
        ("{yard: {against: {surface: yard}}}", "has no other surface of that name.\n"),
        ("{yard: {limits: [{set: asphalt}]}}", "Did you mean asphalt-drainage?"),
    ],
)
def test_what_is_typed_wrong_is_told_with_line_and_key(
    tmp_path: Path, entry: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 2, the place, what was expected."""
    folder = tmp_path / "job"
    shutil.copytree(YARD, folder)
    path = folder / "job.yaml"
    above = path.read_text(encoding="utf-8").split("surfaces:")[0]
    path.write_text(f"{above}surfaces: {entry}\n", encoding="utf-8")
    assert cli.outcome(["reconcile", str(folder), "--quiet"]) == 2
    told = capsys.readouterr().err
    assert said in told and "job.yaml:" in told


def test_findings_of_the_surface_are_told(job: Path) -> None:
    """Standing water, its doubt and the limit that is broken; each with a cure or what to shoot."""
    found = json.loads((job / "out" / "findings.json").read_text(encoding="utf-8"))
    own = [finding for finding in found if finding["says"].startswith("Surface yard:")]
    assert sorted(f["kind"] for f in own) == ["grade-limit", "standing-water", "standing-water"]
    assert all(f["confirm"] and f["severity"] == "check" for f in own)
    assert len({finding["id"] for finding in found}) == len(found)


def test_in_feet_the_surface_is_as_large(job: Path) -> None:
    """--unit ft: area2DSurf and elevations in feet (0.3048 m), to the last digit written."""
    told = []
    for unit, out in (("m", "metres"), ("ft", "feet")):
        folder = str(job.parent / out)
        arguments = ["reconcile", str(job), "--out", folder, "--quiet", "--also", "landxml"]
        assert cli.outcome([*arguments, "--unit", unit]) == 1  # a pond is in it
        root = ElementTree.parse(Path(folder) / "site.xml").getroot()
        definition = root.find("x:Surfaces/x:Surface/x:Definition", NAME)
        told.append([float(definition.get(k)) for k in ("area2DSurf", "elevMin", "elevMax")])
    (area, *heights), (area_ft, *heights_ft) = told
    assert area_ft * 0.3048**2 == pytest.approx(area, rel=1e-6)
    assert [h * 0.3048 for h in heights_ft] == pytest.approx(heights, abs=1e-4)


def test_without_the_library_it_says_so_before_anything_else(
    job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 2, and how to install it; a job without surfaces does not need it."""
    monkeypatch.setattr("tieup.surface.triangulation.find_spec", lambda name: None)
    assert cli.outcome(["surface", str(job)]) == 2
    assert 'pip install "tieup[surface]"' in capsys.readouterr().err
    dock = ROOT / "sample_raw" / "two_setups"
    assert cli.outcome(["ties", str(dock), "--quiet"]) == 0
