"""What every file for another program carries: ground points that have a place, strings, words.

Numbers are those of coordinates.csv, in the unit asked for, with its decimals; nothing is
computed here, so that each format says the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.model.point_words import UNCHECKED
from tieup.model.reconciliation import Reconciliation
from tieup.units import length_factor
from tieup.write.cautions import UNCHECKED_MEANS
from tieup.write.columns import COORDINATE, DECIMALS, SPREAD
from tieup.write.exchange.coordinate_system import System, system_of
from tieup.write.exchange.export_selection import Chosen
from tieup.write.exchange.string_chains import Chain, chains_of
from tieup.write.exchange.surface_content import SurfaceContent, surface_contents

AXES = ("northing", "easting", "elevation")
WORDS = ("code", "string", "role", "proof", "setups", "flags")
UNIT_WORDS = {"m": "metres", "ft": "international feet", "ftUS": "US survey feet"}


@dataclass(frozen=True)
class SitePoint:
    """A point: N, E, H and their sds in file units, NaN where unknown; words as in the table."""

    name: str
    place: tuple[float, float, float]
    sd: tuple[float, float, float]
    code: str
    string: str
    role: str
    proof: str
    setups: str
    flags: str

    @property
    def has_elevation(self) -> bool:
        """Return whether the elevation is known."""
        return self.place[2] == self.place[2]


@dataclass(frozen=True)
class SiteString:
    """A 3-D line: its string and code, its points in order."""

    name: str
    code: str
    points: tuple[SitePoint, ...]


@dataclass(frozen=True)
class SiteContent:
    """A site as the files carry it; ``statements`` are what a reader of any of them must know.

    ``draft`` says why the site must not be built on, empty where it ties; it is the first of
    the statements. ``moment`` (ISO 8601, no offset) is that of the last shot, or of writing where
    no raw row has a time: the same site gives the same file.
    """

    unit: str
    system: System
    points: tuple[SitePoint, ...]
    strings: tuple[SiteString, ...]
    statements: tuple[str, ...]
    draft: str = ""
    moment: str = ""
    surfaces: tuple[SurfaceContent, ...] = ()


def site_content(
    site: Reconciliation, unit: str, chosen: Chosen, *, written: str, draft: str = ""
) -> SiteContent:
    """Collect what the files carry of the chosen points, lengths in ``unit`` (m, ft or ftUS).

    ``written`` is the time of writing, ISO 8601.
    A string runs from point to point as long as they leave: never past one that does not.
    """
    table = site.coordinates
    factor = length_factor(site.job.length_unit) / length_factor(unit)
    place = _rounded([table[axis] for axis in AXES], factor, DECIMALS[COORDINATE])
    sd = _rounded([table[f"sd_{axis}"] for axis in AXES], factor, DECIMALS[SPREAD])
    words = [[_text(value) for value in table[name]] for name in ("point", *WORDS)]
    every = [
        SitePoint(name, tuple(values), tuple(spread), *others)
        for values, spread, name, *others in zip(place.tolist(), sd.tolist(), *words, strict=True)
    ]
    numbers: dict[str, int] = {}
    for number, point in enumerate(every):
        numbers.setdefault(point.name, number)  # marks stand before free stations
    leaving = {number: every[number] for number in chosen.rows}
    chains = chains_of(site.strings, numbers)
    strings = tuple(part for chain in chains for part in _parts(chain, leaving))
    points, system = tuple(leaving.values()), system_of(site.job, unit)
    said = (*([draft] if draft else []), *_statements(unit, system, points, chosen))
    moment = (site.run.get("surveyed") or {}).get("last", written)[: len("2026-03-03T07:20:00")]
    surfaces = surface_contents(site, unit)
    return SiteContent(unit, system, points, strings, said, draft, moment, surfaces)


def _rounded(columns: Sequence[Any], factor: float, places: int) -> FloatArray:
    """Return columns in the file's unit, rounded as coordinates.csv rounds; no negative zero."""
    values = np.column_stack([np.asarray(column, dtype=np.float64) for column in columns])
    return np.round(values * factor, places) + 0.0


def _text(value: Any) -> str:
    return "" if value is None or value != value else str(value)


def _parts(chain: Chain, leaving: Mapping[int, SitePoint]) -> list[SiteString]:
    """Return the pieces of a line between points that do not leave, of two points or more."""
    runs = groupby(chain.points, key=leaving.__contains__)
    pieces = [tuple(leaving[number] for number in run) for there, run in runs if there]
    return [SiteString(chain.string, chain.code, piece) for piece in pieces if len(piece) > 1]


def _statements(
    unit: str, system: System, points: Sequence[SitePoint], chosen: Chosen
) -> tuple[str, ...]:
    frame = f"Coordinates in {system.name}." if system.epsg else "Local coordinates, no map system."
    them = "it" if chosen.unchecked == 1 else "them"
    flat = sum(not point.has_elevation for point in points)
    counted = (
        (flat, "without elevation: it is unknown, not 0."),
        (chosen.unchecked, f"{UNCHECKED}: {UNCHECKED_MEANS} {them}."),
    )
    counts = [f"{number} point{'s' * (number != 1)} {words}" for number, words in counted if number]
    return (
        f"Lengths in {UNIT_WORDS[unit]} ({unit}). {frame}",
        " ".join([*counts, "Proof and precision of each point: coordinates.csv."]),
        *([chosen.words] if chosen.words else []),
    )
