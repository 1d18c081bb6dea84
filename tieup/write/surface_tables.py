"""The tables of surfaces: surface_NAME_points.csv and the others, for each surface of a job."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial

from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.columns import ANGLE, AREA, COORDINATE, COUNT, PER_CENT, SPREAD, TEXT, VOLUME
from tieup.write.tables import csv_text

ANY_NAME = "NAME"  # for the name of the surface, in the page of columns

POINTS: Mapping[str, str] = {
    "id": COUNT,
    "point": TEXT,
    "northing": COORDINATE,
    "easting": COORDINATE,
    "elevation": COORDINATE,
    "sd_elevation": SPREAD,
    "proof": TEXT,
    "raise": SPREAD,
}
FACES: Mapping[str, str] = {
    "a": COUNT,
    "b": COUNT,
    "c": COUNT,
    "fall": PER_CENT,
    "fall_azimuth": ANGLE,
    "sd_fall": PER_CENT,
    "proof": TEXT,
    "breaks": TEXT,
    "joint": TEXT,
    "setups": TEXT,
}
PONDS: Mapping[str, str] = {
    "northing": COORDINATE,
    "easting": COORDINATE,
    "elevation": COORDINATE,
    "point": TEXT,
    "depth": SPREAD,
    "sd_depth": SPREAD,
    "area": AREA,
    "volume": VOLUME,
    "sd_volume": VOLUME,
    "spill_point": TEXT,
    "way_out": TEXT,
    "raise": SPREAD,
    "verdict": TEXT,
    "reason": TEXT,
}
SEAMS: Mapping[str, str] = {
    "setups": TEXT,
    "edges": COUNT,
    "step": SPREAD,
    "sd_step": SPREAD,
    "sd_expected": SPREAD,
    "verdict": TEXT,
}
GRADES: Mapping[str, str] = {
    "limit": TEXT,
    "where": TEXT,
    "minimum": PER_CENT,
    "maximum": PER_CENT,
    "area": AREA,
    "area_fails": AREA,
    "area_open": AREA,
    "fall": PER_CENT,
    "sd_fall": PER_CENT,
    "northing": COORDINATE,
    "easting": COORDINATE,
    "verdict": TEXT,
    "source": TEXT,
}
DEPTHS: Mapping[str, str] = {
    "where": TEXT,
    "area": AREA,
    "of_area": AREA,
    "cut": VOLUME,
    "sd_cut": VOLUME,
    "fill": VOLUME,
    "sd_fill": VOLUME,
    "net": VOLUME,
    "sd_net": VOLUME,
    "thickness": SPREAD,
    "sd_thickness": SPREAD,
    "least": SPREAD,
    "most": SPREAD,
    "limit": SPREAD,
    "verdict": TEXT,
}
THICKNESS: Mapping[str, str] = {
    "northing": COORDINATE,
    "easting": COORDINATE,
    "thickness": SPREAD,
    "sd_thickness": SPREAD,
    "verdict": TEXT,
}
SURFACE_TABLES: Mapping[str, Mapping[str, str]] = {
    "points": POINTS,
    "faces": FACES,
    "ponds": PONDS,
    "seams": SEAMS,
    "grades": GRADES,
    "depths": DEPTHS,
    "thickness": THICKNESS,
}
"""Table of a `SiteSurface` -> its columns; the first three are always there."""


def file_name(surface: str, table: str) -> str:
    """Return the name of a table's file.

    >>> file_name("yard", "faces")
    'surface_yard_faces.csv'
    """
    return f"surface_{surface}_{table}.csv"


def surface_tables(site: Reconciliation) -> Iterator[tuple[str, str, Table]]:
    """Give file name, kind and columns of each table of each surface that a site has."""
    for surface in site.surfaces:
        for kind in SURFACE_TABLES:
            table = getattr(surface, kind)
            if table:
                yield file_name(surface.name, kind), kind, table


def surface_writers(site: Reconciliation) -> dict[str, Callable[[Reconciliation], str]]:
    """Return what writes each table of each surface."""
    return {
        name: partial(_text, table=table, kind=kind) for name, kind, table in surface_tables(site)
    }


def _text(site: Reconciliation, *, table: Table, kind: str) -> str:
    return csv_text(table, SURFACE_TABLES[kind], site.job.angle_unit)
