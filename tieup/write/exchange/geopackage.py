"""Write a GeoPackage 1.4 (OGC 12-128r19) with the database library of Python itself.

The time of change that the standard asks for is given, never the clock. A NUL character, which
other readers take for the end of a text, becomes ``\\u0000`` (and the backslash of a text that
looks so ``\\u005C``).
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Any

from tieup.write.exchange.coordinate_system import System
from tieup.write.exchange.escapes import escaped

APPLICATION = 0x47504B47  # "GPKG"
VERSION = 10400
LOCAL = 100_000  # number of the local system: free for our own by the standard
WKB = {"POINT": 1, "LINESTRING": 2, "POLYGON": 3}
WITH_Z = 1000  # ISO WKB: added to the kind of geometry

TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL
  DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE, max_x DOUBLE,
  max_y DOUBLE, srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id)
  REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""
WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,'
    'AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,'
    'AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],'
    'AUTHORITY["EPSG","4326"]]'
)
SYSTEMS = (  # the three rows that every GeoPackage must have
    ("Undefined Cartesian", -1, "NONE", -1, "undefined", "undefined Cartesian system"),
    ("Undefined geographic", 0, "NONE", 0, "undefined", "undefined geographic system"),
    ("WGS 84 geodetic", 4326, "EPSG", 4326, WGS84, "longitude and latitude, WGS 84"),
)


@dataclass(frozen=True)
class Layer:
    """A table of features: name, POINT, LINESTRING or POLYGON, columns and their types, rows.

    A row is its vertices (x, y and perhaps z each; of a polygon those of its one ring, the first
    again at the end) and its values in the order of columns.
    """

    name: str
    geometry: str
    columns: Mapping[str, str]
    rows: Sequence[tuple[Sequence[Sequence[float]], Sequence[Any]]]


def geopackage(layers: Iterable[Layer], system: System, description: str, changed: str) -> bytes:
    """Return the bytes of a GeoPackage whose layers are in ``system``.

    ``changed`` is the time of change of the layers, as 2026-03-03T07:20:00.000Z.
    """
    with closing(sqlite3.connect(":memory:")) as database:
        database.execute(f"PRAGMA application_id = {APPLICATION}")
        database.execute(f"PRAGMA user_version = {VERSION}")
        database.executescript(TABLES)
        number, organization = system.epsg or LOCAL, "EPSG" if system.epsg else "NONE"
        own = (system.name, number, organization, number, system.definition, "of the site")
        rows = [*SYSTEMS, own]
        database.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?)", rows)
        for layer in layers:
            _add_layer(database, layer, number, (description, changed))
        database.commit()
        return database.serialize()


def _add_layer(database: sqlite3.Connection, layer: Layer, srs: int, said: tuple[str, str]) -> None:
    columns = ", ".join(f'"{name}" {kind}' for name, kind in layer.columns.items())
    database.execute(
        f'CREATE TABLE "{layer.name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, '
        f"geom {layer.geometry}, {columns})"
    )
    flat = {len(vertex) for vertices, _ in layer.rows for vertex in vertices} - {3}
    database.execute(
        "INSERT INTO gpkg_contents VALUES (?,?,?,?,?,?,?,?,?,?)",
        (layer.name, "features", layer.name, *said, *_bounds(layer), srs),
    )
    database.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?,?,?,?,?,?)",
        (layer.name, "geom", layer.geometry, srs, 2 if flat else 1, 0),
    )
    marks = ",".join("?" * (len(layer.columns) + 2))
    database.executemany(
        f'INSERT INTO "{layer.name}" VALUES ({marks})',
        (
            (number, _geometry(layer.geometry, vertices, srs), *map(_carried, values))
            for number, (vertices, values) in enumerate(layer.rows, start=1)
        ),
    )


def _bounds(layer: Layer) -> tuple[float | None, ...]:
    """Return least x and y, greatest x and y; None where there is nothing."""
    xy = [vertex[:2] for vertices, _ in layer.rows for vertex in vertices]
    if not xy:
        return (None,) * 4
    x, y = zip(*xy, strict=True)
    return min(x), min(y), max(x), max(y)


def _geometry(kind: str, vertices: Sequence[Sequence[float]], srs: int) -> bytes:
    """Return a geometry as GP header without envelope and little-endian WKB (clause 2.1.3)."""
    header = struct.pack("<2sBBi", b"GP", 0, 1, srs)
    code = WKB[kind] + (WITH_Z if len(vertices[0]) == 3 else 0)
    rings = struct.pack("<I", 1) if kind == "POLYGON" else b""
    count = rings + struct.pack("<I", len(vertices)) if kind != "POINT" else b""
    values = [value for vertex in vertices for value in vertex]
    return header + struct.pack("<BI", 1, code) + count + struct.pack(f"<{len(values)}d", *values)


def _carried(value: Any) -> Any:
    return escaped(value, "\x00", "\\u") if isinstance(value, str) else value
