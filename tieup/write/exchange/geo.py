"""site.geojson and site.gpkg: points and strings for a geographic information system.

Both are in the coordinates of the site, easting first. RFC 7946, section 4, would have longitude
and latitude, which a local site does not have: a member ``crs`` (as in GeoJSON of 2008) names
the system, a local one by its definition, and other foreign members (section 6.1) say it in words.
In a draft each feature has an attribute ``draft``, and the layers of the package say it too.
"""

from __future__ import annotations

import json
from typing import Any

from tieup.write.cautions import CAUTIONS
from tieup.write.exchange.content import AXES, WORDS, SiteContent, SitePoint, SiteString
from tieup.write.exchange.geo_surface import surface_features, surface_layers
from tieup.write.exchange.geopackage import Layer, geopackage

POINT_COLUMNS = {
    "point": "TEXT",
    **dict.fromkeys(WORDS, "TEXT"),
    **{f"sd_{axis}": "DOUBLE" for axis in AXES},
}
STRING_COLUMNS = {"string": "TEXT", "code": "TEXT", "points": "INTEGER"}


def geojson_text(content: SiteContent) -> str:
    """Return site.geojson, one feature a line."""
    features = [
        *(
            _feature("Point", xyz(point), point_values(point) | _draft(content))
            for point in content.points
        ),
        *(
            _feature(
                "LineString",
                [xyz(point) for point in string.points],
                string_values(string) | _draft(content),
            )
            for string in content.strings
        ),
        *(
            _feature(kind, coordinates, values | _draft(content))
            for kind, coordinates, values in surface_features(content)
        ),
    ]
    system = content.system
    name = f"urn:ogc:def:crs:EPSG::{system.epsg}" if system.epsg else system.definition
    head = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": name}},
        "axes": ["easting", "northing", "elevation"],
        "length_unit": content.unit,
        **_draft(content),
        "statements": [*content.statements, *CAUTIONS[:-1]],
    }
    members = [f"{_json(key)}: {_json(value)}" for key, value in head.items()]
    rows = ",\n".join(_json(feature) for feature in features)
    return "{" + ",\n".join([*members, f'"features": [\n{rows}\n]']) + "}\n"


def geopackage_bytes(content: SiteContent) -> bytes:
    """Return site.gpkg with the layers points and strings, and two for the surfaces if any."""
    end, more = ("_draft", {"draft": "TEXT"}) if content.draft else ("", {})
    draft = [*_draft(content).values()]
    points = Layer(
        f"points{end}",
        "POINT",
        POINT_COLUMNS | more,
        [([xyz(point)], [*point_values(point).values(), *draft]) for point in content.points],
    )
    strings = Layer(
        f"strings{end}",
        "LINESTRING",
        STRING_COLUMNS | more,
        [
            ([xyz(point) for point in string.points], [*string_values(string).values(), *draft])
            for string in content.strings
        ],
    )
    said = " ".join((*content.statements, *CAUTIONS[:-1]))
    surfaces = surface_layers(content, end, more)
    return geopackage([points, strings, *surfaces], content.system, said, f"{content.moment}.000Z")


def xyz(point: SitePoint) -> list[float]:
    """Return easting, northing and, where it is known, elevation."""
    north, east, elevation = point.place
    return [east, north, elevation] if point.has_elevation else [east, north]


def point_values(point: SitePoint) -> dict[str, Any]:
    """Return the attributes of a point, as `POINT_COLUMNS`; None where unknown."""
    words = {name: getattr(point, name) for name in WORDS}
    spreads = {
        f"sd_{axis}": sd if sd == sd else None for axis, sd in zip(AXES, point.sd, strict=True)
    }
    return {"point": point.name, **words, **spreads}


def string_values(string: SiteString) -> dict[str, Any]:
    """Return the attributes of a string, as `STRING_COLUMNS`."""
    return {"string": string.name, "code": string.code, "points": len(string.points)}


def _draft(content: SiteContent) -> dict[str, Any]:
    return {"draft": content.draft} if content.draft else {}


def _feature(kind: str, coordinates: list[Any], properties: dict[str, Any]) -> dict[str, Any]:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
