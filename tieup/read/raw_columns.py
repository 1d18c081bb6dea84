"""The columns of raw observations: what each is called and what kind of quantity it holds."""

from __future__ import annotations

from dataclasses import dataclass

from tieup.units import ANGLE_UNITS, LENGTH_UNITS

# Quantity of every column of the native table, in the order in which reasons are given.
COLUMNS = {
    "setup": "name",
    "station": "text",
    "instrument_height": "length",
    "point": "name",
    "direction": "angle",
    "azimuth": "angle",
    "zenith": "angle",
    "elevation_angle": "angle",
    "distance": "distance",
    "horizontal_distance": "distance",
    "vertical_distance": "length",
    "target_height": "length",
    "face": "face",
    "round": "count",
    "role": "word",
    "prism_constant": "offset",
    "target": "text",
    "instrument": "text",
    "temperature": "temperature",
    "pressure": "pressure",
    "code": "text",
    "string": "text",
    "time": "time",
    "note": "text",
    "field_northing": "length",
    "field_easting": "length",
    "field_elevation": "length",
}
REQUIRED = ("setup", "point")
OBSERVED = ("direction", "azimuth", "zenith", "elevation_angle", "distance", "horizontal_distance")
# What a shot alone can say, so that no row between the shots sets it for them.
OF_SHOTS = ("point", *OBSERVED, "vertical_distance", "face")
FROM_FILE_NAME = ("setup", "station")
# The columns of numbers of a list of known marks, beside its point and note.
CONTROL_NUMBERS = (
    "northing", "easting", "elevation", "sd_northing", "sd_easting", "sd_elevation",
)  # fmt: skip

# Units a column may state for itself; quantities without an entry have one fixed unit.
_LENGTHS = tuple(LENGTH_UNITS)
COLUMN_UNITS: dict[str, tuple[str, ...]] = {
    "angle": ANGLE_UNITS,
    "length": _LENGTHS,
    "distance": _LENGTHS,
    "offset": _LENGTHS,
    "time": ("iso", "epoch"),
}


@dataclass(frozen=True)
class Source:
    """Where a column comes from: the header name or position (from 1) of a source column.

    With ``value`` instead, every row has that text, with ``file_name`` the name of the raw
    file without folder and suffix. An empty ``unit`` means the job's
    (mm for prism_constant, ISO 8601 for time; ``epoch`` is seconds since 1970 UTC).
    """

    column: str | int = ""
    unit: str = ""
    value: str | None = None
    file_name: bool = False


@dataclass(frozen=True)
class Cells:
    """One column of texts and the unit they are in.

    ``unit_key`` is the setting that states the unit, for messages. A ``turning`` column of
    directions may have negative values down to a full circle.
    """

    texts: list[str]
    unit: str
    unit_key: str
    turning: bool = False
