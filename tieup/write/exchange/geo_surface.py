"""Surfaces of site.geojson and site.gpkg: triangles as polygons, contours as lines."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from tieup.model.arrays import FloatArray
from tieup.write.exchange.geopackage import Layer
from tieup.write.exchange.surface_content import SurfaceContent

if TYPE_CHECKING:
    from tieup.write.exchange.content import SiteContent

TRIANGLE_COLUMNS = {
    "surface": "TEXT",
    "triangle": "INTEGER",
    "fall": "DOUBLE",
    "sd_fall": "DOUBLE",
    "proof": "TEXT",
    "setups": "TEXT",
}
CONTOUR_COLUMNS = {"surface": "TEXT", "elevation": "DOUBLE"}


def surface_features(content: SiteContent) -> Iterator[tuple[str, list[Any], dict[str, Any]]]:
    """Give kind of geometry, coordinates and attributes of each triangle and contour."""
    for surface in content.surfaces:
        for ring, values in _triangles(surface):
            yield "Polygon", [ring], values
        for line, values in _contours(surface):
            yield "LineString", line, values


def surface_layers(content: SiteContent, end: str, more: Mapping[str, str]) -> Iterator[Layer]:
    """Give the layers triangles and contours, ``end`` behind their names, ``more`` columns."""
    if not content.surfaces:
        return
    draft = [content.draft] if content.draft else []
    triangles = [part for surface in content.surfaces for part in _triangles(surface)]
    contours = [part for surface in content.surfaces for part in _contours(surface)]
    yield Layer(
        f"triangles{end}",
        "POLYGON",
        {**TRIANGLE_COLUMNS, **more},
        [(ring, [*values.values(), *draft]) for ring, values in triangles],
    )
    yield Layer(
        f"contours{end}",
        "LINESTRING",
        {**CONTOUR_COLUMNS, **more},
        [(line, [*values.values(), *draft]) for line, values in contours],
    )


def _triangles(surface: SurfaceContent) -> Iterator[tuple[list[list[float]], dict[str, Any]]]:
    corners = _xyz(surface.places)[surface.faces]
    columns = (surface.fall.tolist(), surface.sd_fall.tolist(), surface.proof, surface.setups)
    for number, (ring, *values) in enumerate(zip(corners.tolist(), *columns, strict=True), 1):
        own = [surface.name, number, *values]
        yield [*ring, ring[0]], dict(zip(TRIANGLE_COLUMNS, own, strict=True))


def _contours(surface: SurfaceContent) -> Iterator[tuple[list[list[float]], dict[str, Any]]]:
    for level, line in surface.contours:
        values = {"surface": surface.name, "elevation": round(level, 6)}
        yield _xyz(line).tolist(), values


def _xyz(places: FloatArray) -> FloatArray:
    return places[:, [1, 0, 2]]
