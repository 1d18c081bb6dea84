"""site.geojson and site.gpkg, read back by GDAL, by Python's json and sqlite3, and by hand."""

from __future__ import annotations

import json
import sqlite3
import struct
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.write.exchange_site import content_of, hostile_site, number, truth
from tieup.model.settings import GridWish
from tieup.write.exchange.escapes import restored
from tieup.write.exchange.geo import geojson_text, geopackage_bytes

AXES = ("northing", "easting", "elevation")
METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}  # NIST Handbook 44, appendix C
MAP = {"grid": GridWish(crs="EPSG:25832")}  # UTM 32, in metres


def place(row: dict[str, str]) -> list[float]:
    """Return x, y and, where known, z of a row of coordinates.csv."""
    return [float(row[axis]) for axis in ("easting", "northing", "elevation") if row[axis]]


def attributes(row: dict[str, str]) -> dict[str, Any]:
    """Return what a point carries of a row of coordinates.csv."""
    words = ("point", "code", "string", "role", "proof", "setups", "flags")
    return {
        **{word: row[word] for word in words},
        **{f"sd_{axis}": number(row[f"sd_{axis}"]) for axis in AXES},
    }


def write(folder: Path, unit: str = "m", **job: Any) -> tuple[Path, Path]:
    """Write both files of the hostile site."""
    content = content_of(hostile_site(folder, unit, **job))
    paths = folder / "site.geojson", folder / "site.gpkg"
    paths[0].write_bytes(geojson_text(content).encode())
    paths[1].write_bytes(geopackage_bytes(content))
    return paths


def test_geojson_is_coordinates_csv(tmp_path: Path) -> None:
    """Python's json reads every point and string, easting first, with no text changed."""
    site = hostile_site(tmp_path)
    document = json.loads(write(tmp_path)[0].read_text(encoding="utf-8"))
    points = [f for f in document["features"] if f["geometry"]["type"] == "Point"]
    assert [f["properties"] for f in points] == [attributes(row) for row in truth(site)]
    assert [f["geometry"]["coordinates"] for f in points] == [place(row) for row in truth(site)]
    lines = document["features"][len(points) :]
    strings = content_of(site).strings
    assert [f["properties"]["string"] for f in lines] == [string.name for string in strings]
    by_name = {row["point"]: place(row) for row in truth(site)}
    assert [f["geometry"]["coordinates"] for f in lines] == [
        [by_name[point.name] for point in string.points] for string in strings
    ]
    assert any("1 point without coordinates (nowhere)" in text for text in document["statements"])


def test_geopackage_is_coordinates_csv_through_gdal(tmp_path: Path) -> None:
    """GDAL reads every point and string of the package, escapes undone."""
    pytest.importorskip("pyogrio")
    geopandas = pytest.importorskip("geopandas")
    site, path = hostile_site(tmp_path), write(tmp_path)[1]
    points = geopandas.read_file(path, layer="points")
    for (_, found), row in zip(points.iterrows(), truth(site), strict=True):
        assert list(found.geometry.coords[0]) == place(row)
        assert found.geometry.has_z == bool(row["elevation"])
        for name, value in attributes(row).items():
            there = restored(found[name], "\\u") if isinstance(value, str) else found[name]
            assert there == value or (value is None and there != there)
    lines = geopandas.read_file(path, layer="strings")
    strings = content_of(site).strings
    named = [(restored(row.string, "\\u"), restored(row.code, "\\u")) for row in lines.itertuples()]
    assert named == [(string.name, string.code) for string in strings]
    for geometry, string in zip(lines.geometry, strings, strict=True):
        assert list(geometry.coords) == [
            (p.place[1], p.place[0], p.place[2]) for p in string.points
        ]


def test_a_nul_in_a_name_does_not_cut_it(tmp_path: Path) -> None:
    """A NUL, at which GDAL ends a text, comes through a package as an escape."""
    pytest.importorskip("pyogrio")
    geopandas = pytest.importorskip("geopandas")
    site = hostile_site(tmp_path)
    for table in (site.coordinates, site.strings):
        table["point"][0] = "a\0b"  # type: ignore[index]
    path = tmp_path / "site.gpkg"
    path.write_bytes(geopackage_bytes(content_of(site)))
    name = geopandas.read_file(path, layer="points")["point"].iloc[0]
    assert (name, restored(name, "\\u")) == ("a\\u0000b", "a\0b")


def test_geojson_is_the_same_through_gdal(tmp_path: Path) -> None:
    """What GDAL reads from GeoJSON are the names and places of coordinates.csv."""
    pytest.importorskip("pyogrio")
    geopandas = pytest.importorskip("geopandas")
    frame = geopandas.read_file(write(tmp_path)[0])
    rows = truth(hostile_site(tmp_path))
    points = frame[frame.geometry.geom_type == "Point"]
    assert points["point"].tolist() == [row["point"] for row in rows]
    assert [list(g.coords[0]) for g in points.geometry] == [place(row) for row in rows]


@pytest.mark.parametrize("unit", METRES)
@pytest.mark.parametrize("which", [0, 1])
def test_a_local_site_is_local_in_its_unit_through_gdal(
    tmp_path: Path, unit: str, which: int
) -> None:
    """GDAL takes neither file for longitude and latitude, nor feet for metres."""
    pytest.importorskip("pyogrio")
    geopandas = pytest.importorskip("geopandas")
    layer = {"layer": "points"} if which else {}
    crs = geopandas.read_file(write(tmp_path, unit)[which], **layer).crs
    assert (crs.is_engineering, crs.is_geographic, crs.is_projected) == (True, False, False)
    assert crs.to_epsg() is None
    for axis in crs.axis_info:
        assert axis.unit_conversion_factor == pytest.approx(METRES[unit], rel=1e-12)


@pytest.mark.parametrize(("unit", "epsg"), [("m", 25832), ("ft", None)])
@pytest.mark.parametrize("which", [0, 1])
def test_the_map_system_of_the_job_is_named_in_its_own_unit_only(
    tmp_path: Path, unit: str, epsg: int | None, which: int
) -> None:
    """A grid in metres is named where lengths are in metres; in feet the file is local."""
    pytest.importorskip("pyogrio")
    geopandas = pytest.importorskip("geopandas")
    layer = {"layer": "points"} if which else {}
    crs = geopandas.read_file(write(tmp_path, unit, **MAP)[which], **layer).crs
    assert crs.to_epsg() == epsg
    assert crs.is_engineering == (epsg is None)


def test_geopackage_keeps_the_standard_by_plain_sqlite(tmp_path: Path) -> None:
    """OGC 12-128: application id, version, the three systems, contents, geometry columns, WKB."""
    path = write(tmp_path)[1]
    data = path.read_bytes()
    assert data[:16] == b"SQLite format 3\0"
    assert data[68:72] == b"GPKG"  # requirement 2: bytes 68 to 71
    with closing(sqlite3.connect(path)) as database:
        get = database.execute
        assert get("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert get("PRAGMA foreign_key_check").fetchall() == []
        assert get("PRAGMA user_version").fetchone()[0] >= 10200
        systems = {row[0] for row in get("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} < systems
        layers = get("SELECT table_name, data_type, srs_id, min_x, max_y FROM gpkg_contents")
        rows = [place(row) for row in truth(hostile_site(tmp_path))]
        points, strings = layers.fetchall()
        assert points[:2] == ("points", "features") and strings[:2] == ("strings", "features")
        assert points[3:] == (min(r[0] for r in rows), max(r[1] for r in rows))
        columns = get("SELECT table_name, geometry_type_name, z, m FROM gpkg_geometry_columns")
        assert columns.fetchall() == [("points", "POINT", 2, 0), ("strings", "LINESTRING", 1, 0)]
        blobs = [row[0] for row in get("SELECT geom FROM points ORDER BY fid")]
    for blob, expected in zip(blobs, rows, strict=True):
        magic, version, flags, srs = struct.unpack_from("<2sBBi", blob)
        assert (magic, version, flags, srs) == (b"GP", 0, 1, points[2])
        order, kind = struct.unpack_from("<BI", blob, 8)
        assert (order, kind) == (1, 1001 if len(expected) == 3 else 1)
        assert list(struct.unpack_from(f"<{len(expected)}d", blob, 13)) == expected
        assert len(blob) == 13 + 8 * len(expected)
