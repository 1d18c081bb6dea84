"""The one schema of job.yaml: every key with its kind, possible values, default and unit.

Lengths without a unit here are in the job's own length unit, angles in its angle unit. An
absent key takes the default that stands first in its kind.
"""

from __future__ import annotations

from tieup.config.value_kinds import Choice, ColumnPlace, Count, Flag, Number, TextValue, ValueKind
from tieup.config.value_shapes import AllOr, Either, ListOf, Named, NumberList, Section
from tieup.model.fieldbook import ROLES
from tieup.model.job import AZIMUTHS
from tieup.model.observations import COMPONENT
from tieup.read.raw_columns import COLUMN_UNITS, COLUMNS, CONTROL_NUMBERS, FROM_FILE_NAME, OF_SHOTS
from tieup.units import ANGLE_UNITS, JOB_LENGTH_UNITS

_FINEST = 0.001  # arc seconds or mm; no instrument reads as fine, and no weight bears more
_ARC_SECONDS = Number(2.0, low=_FINEST, high=3600.0, unit="arc seconds, 1 sd")


def _millimetres(default: float | None, *, low: float = 0.0) -> Number:
    return Number(default, low=low, high=1000.0, unit="mm, 1 sd")


_LIMIT = Number(low=0.0, open_low=True, unit="the job's length unit")
LIMITS = Section(
    {"horizontal": _LIMIT, "elevation": _LIMIT}, required=("horizontal", "elevation"), sparse=True
)

UNITS = Section(
    {"angle": Choice(ANGLE_UNITS), "length": Choice(JOB_LENGTH_UNITS)},
    required=("angle", "length"),
)

LOCAL = Section(
    {
        "point": TextValue(),
        "northing": Number(5000.0),
        "easting": Number(5000.0),
        "elevation": Number(100.0),
        "toward": TextValue(),
        "azimuth": TextValue("0"),
    },
    required=("point", "toward"),
)

_PRISM = Number(0.0, low=-1000.0, high=1000.0, unit="mm")
_SCALE = Number(1.0, low=0.9, high=1.1)
_CELSIUS = Number(low=-60.0, high=60.0, unit="degrees C")
_HECTOPASCAL = Number(low=500.0, high=1100.0, unit="hPa")
_HUMIDITY = Number(60.0, low=0.0, high=100.0, unit="per cent")
# What a distance meter's reading is reduced from: a refractivity, or the air that has it.
REFERENCE = Section(
    {
        "refractivity": Number(low=200.0, high=400.0, unit="ppm"),
        "temperature": _CELSIUS,
        "pressure": _HECTOPASCAL,
        "humidity": Number(low=0.0, high=100.0, unit="per cent"),
        "carrier": Number(low=0.4, high=1.6, unit="micrometres in vacuum"),
    },
    required=("carrier",),
    sparse=True,
)

INSTRUMENT = Section(
    {
        "direction": _ARC_SECONDS,
        "zenith": _ARC_SECONDS,
        "distance": NumberList(
            (
                _millimetres(1.5, low=_FINEST),
                Number(2.0, low=0.0, high=1000.0, unit="ppm, 1 sd"),
            )
        ),
        "prism_constant": _PRISM,
        "target_constants": Named(_PRISM),
        "scale": _SCALE,
        "reference": REFERENCE,
    }
)

ATMOSPHERE = Section(
    {
        "refraction": Number(0.13, low=-5.0, high=5.0),
        "temperature": _CELSIUS,
        "pressure": _HECTOPASCAL,
        "humidity": _HUMIDITY,
    }
)

GRID = Section(
    {
        "crs": TextValue(),
        "scale": _SCALE,
        "sea_level": Flag(False),
        "separation": Number(0.0, low=-1000.0, high=1000.0, unit="the job's length unit"),
    },
    sparse=True,
)

# How far a set may lie from the mean of all before it is rejected; none is without limits.
SET_LIMITS = Section(
    {
        "direction": Number(low=0.0, high=3600.0, open_low=True, unit="arc seconds"),
        "zenith": Number(low=0.0, high=3600.0, open_low=True, unit="arc seconds"),
        "distance": Number(low=0.0, high=1000.0, open_low=True, unit="mm"),
        "offset": Number(low=0.0, high=1000.0, unit="mm at the target"),
    },
    sparse=True,
)

# What is to be measured, for `tieup plan`: lists of places and of sights.
PLAN = Section({"places": TextValue(), "sights": TextValue()}, required=("sights",), sparse=True)

WHERE: dict[str, ValueKind] = {
    "setup": TextValue(),
    "point": TextValue(),
    "string": TextValue(),
    "line": TextValue(),
    "kind": Choice(tuple(COMPONENT)),
}
_HEIGHT = Number(low=-100.0, high=100.0)
# What `set` may set. A prism constant is in mm, the two heights are in the job's length unit.
SETTABLE: dict[str, ValueKind] = {
    "instrument_height": _HEIGHT,
    "target_height": _HEIGHT,
    "prism_constant": Number(low=-1000.0, high=1000.0, unit="mm"),
    "face": Count(low=1),
    "station": TextValue(),
}
DECISION = Section(
    {
        "accept": TextValue(),
        "exclude": Section(WHERE, sparse=True, some_of=(tuple(WHERE),)),
        "set": Section({**WHERE, **SETTABLE}, sparse=True, some_of=(tuple(WHERE), tuple(SETTABLE))),
        "rename": Section(WHERE, sparse=True, some_of=(tuple(WHERE),)),
        "keep": TextValue(),
        "to": TextValue(),
        "by": TextValue(),
        "reason": TextValue(),
    },
    sparse=True,
)

SURFACE_ROLES = ("control", "tie", "shot", "station", "derived")
SURFACE_PROOFS = ("held", "checked", "unchecked", "disputed")
_PER_CENT = Number(low=-1000.0, high=1000.0, unit="per cent")
# A point or a string that is worked out of adjusted marks; which keys go together is for
# tieup.config.derived_section to say.
DERIVED = Section(
    {
        "point": TextValue(),
        "string": TextValue(),
        "from": TextValue(),
        "bearing": TextValue(),
        "distance": Number(low=-1e6, high=1e6, unit="the job's length unit"),
        "grade": _PER_CENT,
        "intersect": ListOf(ListOf(TextValue())),
        "mean": ListOf(TextValue()),
        "elevation": Number(unit="the job's length unit"),
        "by": TextValue(),
        "reason": TextValue(),
        "offset": TextValue(),
        "project": TextValue(),
        "onto": TextValue(),
        "fall": _PER_CENT,
    },
    sparse=True,
)
# A slope to be held against limits; tieup.config.falls_section says which keys go together.
FALL = Section(
    {
        "name": TextValue(),
        "from": TextValue(),
        "to": TextValue(),
        "along": TextValue(),
        "minimum": _PER_CENT,
        "maximum": _PER_CENT,
    },
    sparse=True,
)

# A surface; what goes together is for tieup.config.surfaces_section to say.
SURFACE = Section(
    {
        "strings": ListOf(TextValue()),
        "points_only": ListOf(TextValue()),
        "codes": ListOf(TextValue()),
        "points": ListOf(TextValue()),
        "roles": ListOf(Choice(SURFACE_ROLES)),
        "proofs": ListOf(Choice(SURFACE_PROOFS)),
        "boundary": TextValue(),
        "holes": ListOf(TextValue()),
        "inlets": ListOf(TextValue()),
        "longest_edge": Number(low=0.0, open_low=True, unit="the job's length unit"),
        "limits": ListOf(
            Section(
                {"set": TextValue(), "within": TextValue(), "along": TextValue()},
                ("set",),
                sparse=True,
            )
        ),
        "against": Section(
            {
                "surface": TextValue(),
                "file": TextValue(),
                "thickness": Number(unit="the job's length unit"),
                "tolerance": Number(low=0.0, open_low=True, unit="the job's length unit"),
            },
            sparse=True,
        ),
    },
    sparse=True,
)


# How a table is written.
FORM: dict[str, ValueKind] = {
    "delimiter": TextValue(",", trim=False),
    "skip_rows": Count(0),
    "decimal": Choice((".", ","), "."),
    "encoding": TextValue("utf-8"),
    "header": Flag(True),
    "sheet": TextValue(""),
}


def _column(name: str) -> Either:
    keys: dict[str, ValueKind] = {"column": ColumnPlace(), "value": TextValue()}
    if name in FROM_FILE_NAME:
        keys["file_name"] = Flag(False)
    if COLUMNS[name] in COLUMN_UNITS:
        keys["unit"] = Choice(COLUMN_UNITS[COLUMNS[name]])
    return Either(ColumnPlace(), Section(keys, sparse=True))


# The list of known marks: its file, how it is written, which of its marks are taken.
_OF_CONTROL = dict.fromkeys(CONTROL_NUMBERS, "length") | {"point": "name", "note": "text"}


def _control_column(quantity: str) -> Either:
    keys: dict[str, ValueKind] = {"column": ColumnPlace(), "value": TextValue()}
    if quantity == "length":
        keys["unit"] = Choice(COLUMN_UNITS["length"])
    return Either(ColumnPlace(), Section(keys, sparse=True))


CONTROL = Section(
    {
        "file": TextValue("control.csv"),
        "job": TextValue(),
        "marks": AllOr(ListOf(TextValue())),
        "columns": Section(
            {name: _control_column(own) for name, own in _OF_CONTROL.items()}, sparse=True
        ),
        **FORM,
    },
    sparse=True,
)

# Rows between the shots, and what they set for the shots below them.
ROW_KIND = Section(
    {
        "column": ColumnPlace(),
        "shots": ListOf(TextValue()),
        "sets": Named(
            Section({name: _column(name) for name in COLUMNS if name not in OF_SHOTS}, sparse=True)
        ),
    },
    required=("column", "shots"),
    sparse=True,
)

# What the words of raw tables mean.
WORDS = Section(
    {
        "face": Named(Choice(("1", "2"))),
        "role": Named(Choice(ROLES)),
        "code": Named(TextValue()),
    },
    sparse=True,
)

SCHEMA = Section(
    {
        "title": TextValue(""),
        "units": UNITS,
        "raw": ListOf(TextValue(), ("raw/*.csv",)),
        "control": Either(TextValue(), CONTROL),  # control.csv where that file is there
        "control_sd": Number(0.0, low=0.0, high=10.0, unit="the job's length unit, 1 sd"),
        "control_covariance": TextValue(),
        "levels": TextValue(),
        "levels_sd": Number(low=0.0, high=1000.0, open_low=True, unit="mm per square root of a km"),
        "tapes": TextValue(),
        "baselines": TextValue(),
        "plan": PLAN,
        "datum": Choice(("control", "free", "local")),  # control where there is control
        "local": LOCAL,
        "instruments": Named(INSTRUMENT, always=("default",)),
        "centring": Section({"instrument": _millimetres(0.5), "target": _millimetres(1.0)}),
        "heights": Section({"instrument": _millimetres(1.0), "target": _millimetres(1.0)}),
        "atmosphere": ATMOSPHERE,
        "grid": GRID,
        "set_limits": SET_LIMITS,
        "azimuths": Choice(AZIMUTHS, AZIMUTHS[0]),
        "standing": AllOr(ListOf(TextValue())),
        "tolerances": Either(TextValue("paving"), LIMITS),
        "rules": ListOf(TextValue()),
        "audit": TextValue("raw-data"),
        "confidence": Number(0.95, low=0.0, high=1.0, open_low=True, open_high=True),
        "decisions": ListOf(DECISION),
        "derived": ListOf(DERIVED),
        "falls": ListOf(FALL),
        "surfaces": Named(SURFACE),
        "columns": Section({name: _column(name) for name in COLUMNS}, sparse=True),
        "words": WORDS,
        "row_kind": ROW_KIND,
        **FORM,
    },
    required=("units",),
)
