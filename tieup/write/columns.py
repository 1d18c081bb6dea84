"""The columns of the tables, in order, and what kind of value each holds.

The kind settles the decimals in a file; a column that is not listed here counts as a
coordinate. A table may have more columns behind these, never fewer.
"""

from __future__ import annotations

from collections.abc import Mapping

TEXT, COUNT = "text", "count"
COORDINATE = "coordinate"  # a coordinate, in the job's length unit
SPREAD = "spread"  # an sd, a difference or a limit, in the job's length unit
RESIDUAL = "residual"  # arc seconds, or millimetres where the row is a distance
RATIO = "ratio"
MILLIMETRE = "millimetre"
PER_CENT = "per cent"
ANGLE = "angle"  # in the job's angle unit
AREA, VOLUME = "area", "volume"  # in the job's length unit, squared and cubed
READING = "reading"  # an angle, or a length where the row's kind is distance

DECIMALS = {
    TEXT: 0,
    COUNT: 0,
    COORDINATE: 4,
    SPREAD: 5,
    RESIDUAL: 3,
    RATIO: 4,
    MILLIMETRE: 1,
    PER_CENT: 3,
    AREA: 2,
    VOLUME: 4,
}
ANGLE_DECIMALS = {"deg": 6, "gon": 6, "mil": 5, "rad": 8}  # a hundredth of an arc second or less

PLACE: Mapping[str, str] = {
    "northing": COORDINATE,
    "easting": COORDINATE,
    "elevation": COORDINATE,
}
SPREADS: Mapping[str, str] = {
    "sd_northing": SPREAD,
    "sd_easting": SPREAD,
    "sd_elevation": SPREAD,
}
DIFFERENCES: Mapping[str, str] = {  # of two places, each held to its limit
    "d_northing": SPREAD,
    "d_easting": SPREAD,
    "d_elevation": SPREAD,
    "d_horizontal": SPREAD,
    **SPREADS,
    "sd_horizontal": SPREAD,
    "limit_horizontal": SPREAD,
    "limit_elevation": SPREAD,
}

COORDINATES: Mapping[str, str] = {
    "point": TEXT,
    **PLACE,
    "code": TEXT,
    "string": TEXT,
    "role": TEXT,
    "proof": TEXT,
    "hidden_horizontal": SPREAD,
    "hidden_elevation": SPREAD,
    **SPREADS,
    "ellipse_major": SPREAD,
    "ellipse_minor": SPREAD,
    "ellipse_azimuth": ANGLE,
    "elevation_interval": SPREAD,
    "setups": TEXT,
    "flags": TEXT,
}

OBSERVATIONS: Mapping[str, str] = {
    "file": TEXT,
    "line": COUNT,
    "setup": TEXT,
    "point": TEXT,
    "kind": TEXT,
    "observed": READING,
    "adjusted": READING,
    "residual": RESIDUAL,
    "sd": RESIDUAL,
    "redundancy": RATIO,
    "w": RATIO,
    "tau": RATIO,
    "mdb": RESIDUAL,
    "status": TEXT,
    "reason": TEXT,
}

SETUPS: Mapping[str, str] = {
    "setup": TEXT,
    "station": TEXT,
    **PLACE,
    "orientation": ANGLE,
    **SPREADS,
    "sd_orientation": ANGLE,
    "ties": COUNT,
    "redundancy": RATIO,
    "geometry": TEXT,
    "geometry_sd": MILLIMETRE,
    "verdict": TEXT,
}

TIES: Mapping[str, str] = {
    "point": TEXT,
    "setup": TEXT,
    **DIFFERENCES,
    "verdict": TEXT,
}

DERIVED: Mapping[str, str] = {
    "point": TEXT,
    "string": TEXT,
    "how": TEXT,
    **PLACE,
    **SPREADS,
    "measured_elevation": COORDINATE,
    "typed_elevation": COORDINATE,
    "d_elevation": SPREAD,
    "sd_difference": SPREAD,
    "limit_elevation": SPREAD,
    "verdict": TEXT,
    "by": TEXT,
    "reason": TEXT,
    "remarks": TEXT,
}

STRINGS: Mapping[str, str] = {
    "string": TEXT,
    "code": TEXT,
    "part": COUNT,
    "number": COUNT,
    "point": TEXT,
    "elevation": COORDINATE,
    "chainage": COORDINATE,
    "sd_chainage": SPREAD,
    "length": COORDINATE,
    "sd_length": SPREAD,
    "drop": COORDINATE,
    "sd_drop": SPREAD,
    "fall": PER_CENT,
    "sd_fall": PER_CENT,
    "joint": TEXT,
    "setups": TEXT,
    "low_spot": TEXT,
    "remarks": TEXT,
}

FALLS: Mapping[str, str] = {
    "check": TEXT,
    "from": TEXT,
    "to": TEXT,
    "length": COORDINATE,
    "sd_length": SPREAD,
    "drop": COORDINATE,
    "sd_drop": SPREAD,
    "fall": PER_CENT,
    "sd_fall": PER_CENT,
    "minimum": PER_CENT,
    "maximum": PER_CENT,
    "verdict": TEXT,
    "reason": TEXT,
    "proof": TEXT,
    "joint": TEXT,
    "setups": TEXT,
}

RULES: Mapping[str, str] = {
    "set": TEXT,
    "rule": TEXT,
    "says": TEXT,
    "state": TEXT,
    "subject": TEXT,
    "value": RATIO,
    "limit": RATIO,
    "unit": TEXT,
    "checked": COUNT,
    "reason": TEXT,
    "source": TEXT,
}

FIELD: Mapping[str, str] = {
    "file": TEXT,
    "line": COUNT,
    "setup": TEXT,
    "point": TEXT,
    **DIFFERENCES,
    "verdict": TEXT,
    "cause": TEXT,
    "stake_out": TEXT,
}

FIELD_SETUPS: Mapping[str, str] = {
    "setup": TEXT,
    "points": COUNT,
    "moved": COUNT,
    "d_northing": SPREAD,
    "d_easting": SPREAD,
    "d_elevation": SPREAD,
    "turn": RESIDUAL,
    "d_horizontal": SPREAD,
    "far_point": TEXT,
    "verdict": TEXT,
    "stake_outs": COUNT,
    "first": TEXT,
    "first_time": TEXT,
    "says": TEXT,
}

TRAVERSES: Mapping[str, str] = {
    "traverse": TEXT,
    "kind": TEXT,
    "legs": COUNT,
    "length": COORDINATE,
    "d_northing": COORDINATE,
    "d_easting": COORDINATE,
    "misclosure": COORDINATE,
    "precision": COUNT,
}

COVARIANCE: Mapping[str, str] = {
    "point": TEXT,
    "coordinate": TEXT,
    "with_point": TEXT,
    "with_coordinate": TEXT,
    "unit": TEXT,
    "value": TEXT,
    "covariance": TEXT,
}

TABLES: Mapping[str, tuple[str, Mapping[str, str]]] = {
    "coordinates.csv": ("coordinates", COORDINATES),
    "observations.csv": ("observations", OBSERVATIONS),
    "setups.csv": ("setups", SETUPS),
    "ties.csv": ("ties", TIES),
    "strings.csv": ("strings", STRINGS),
    "falls.csv": ("falls", FALLS),
    "derived.csv": ("derived", DERIVED),
    "traverses.csv": ("traverses", TRAVERSES),
    "covariance.csv": ("covariance", COVARIANCE),
    "rules.csv": ("asked_rules", RULES),
    "field.csv": ("field_rows", FIELD),
    "field_setups.csv": ("field_setups", FIELD_SETUPS),
}
"""File name -> table of the `Reconciliation` and its columns; the first four are always there."""
