"""What every column of every table means, and in which unit it stands: the one place for it.

`columns_text` makes columns.csv of a run out of it, in the job's own units, `reference_text` the
page columns.md beside this, and a library caller gets it as a frame. A column that is new in a
table needs its line here; a test says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.columns import (
    ANGLE,
    AREA,
    COORDINATE,
    COUNT,
    MILLIMETRE,
    PER_CENT,
    RATIO,
    READING,
    RESIDUAL,
    SPREAD,
    TABLES,
    TEXT,
    VOLUME,
)
from tieup.write.meanings import EXTRA, MEANINGS, SHARED, UNITS
from tieup.write.surface_tables import ANY_NAME, SURFACE_TABLES, file_name, surface_tables
from tieup.write.tables import csv_text, ordered

DICTIONARY: Mapping[str, str] = dict.fromkeys(("file", "column", "unit", "meaning"), TEXT)


def dictionary(site: Reconciliation) -> Table:
    """Return every column of every table that a site has: file, column, unit, meaning."""
    rows = [
        (file, column, unit_of(file, column, kinds, site.job.angle_unit, site.job.length_unit))
        for file, (name, kinds) in TABLES.items()
        if (table := getattr(site, name))
        for column in ordered(table, kinds)
    ]
    for file, kind, table in surface_tables(site):
        any_file, kinds = file_name(ANY_NAME, kind), SURFACE_TABLES[kind]
        units = site.job.angle_unit, site.job.length_unit
        rows += [(file, c, unit_of(any_file, c, kinds, *units)) for c in ordered(table, kinds)]
    named = {file: file_name(ANY_NAME, kind) for file, kind, _ in surface_tables(site)}
    return {
        "file": [file for file, _, _ in rows],
        "column": [column for _, column, _ in rows],
        "unit": [unit for _, _, unit in rows],
        "meaning": [meaning(named.get(file, file), column) for file, column, _ in rows],
    }


def columns_text(site: Reconciliation) -> str:
    """Return columns.csv."""
    return csv_text(dictionary(site), DICTIONARY, site.job.angle_unit)


def meaning(file: str, column: str) -> str:
    """Return what a column means, empty where nobody has written it down.

    >>> meaning("ties.csv", "setup")
    'label of the instrument setup'
    """
    return MEANINGS.get(file, {}).get(column) or SHARED.get(column, "")


def unit_of(file: str, column: str, kinds: Mapping[str, str], angle: str, length: str) -> str:
    """Return the unit of a column where the job's are ``angle`` and ``length``.

    Empty for text, counts and pure numbers. A column without a kind counts as a coordinate where
    it is known to be no text, as in the tables.

    >>> unit_of("ties.csv", "d_elevation", {"d_elevation": SPREAD}, "gon", "ft")
    'ft'
    """
    kind = {**kinds, **EXTRA.get(file, {})}.get(column, TEXT)
    return UNITS.get((file, column)) or UNITS.get(("", column)) or _unit(kind, angle, length)


def _unit(kind: str, angle: str, length: str) -> str:
    return {
        TEXT: "",
        COUNT: "",
        RATIO: "",
        COORDINATE: length,
        SPREAD: length,
        RESIDUAL: "arc seconds; mm in rows of lengths",
        MILLIMETRE: "mm",
        PER_CENT: "per cent",
        ANGLE: angle,
        AREA: f"square {length}",
        VOLUME: f"cubic {length}",
        READING: f"{angle}; {length} in rows of lengths",
    }[kind]


def reference_text(files: Mapping[str, Mapping[str, str]]) -> str:
    """Return columns.md: ``files`` are tables by file name, each its columns and kinds."""
    return "\n".join([*HEAD, *(line for file in files for line in _section(file, files[file]))])


HEAD = (
    "# Every column of every table",
    "",
    "J is the job's length unit and A its angle unit, as job.yaml gives them; each run writes this",
    "list in its own units as columns.csv. No unit: text, a count, or a pure number. An empty cell",
    "means that there is no such value, never 0. Rows of lengths are those whose `kind` is",
    "distance, horizontal_distance, level, tape, baseline, centring, instrument_height or control.",
    "Frames of the library have the same columns and units.",
    "",
    "This page is made from `tieup/write/meanings.py`.",
    "",
)


def _section(file: str, kinds: Mapping[str, str]) -> Iterator[str]:
    yield from (f"## {file}", "", "| column | unit | meaning |", "|---|---|---|")
    for column in (*kinds, *(name for name in EXTRA.get(file, {}) if name not in kinds)):
        unit = unit_of(file, column, kinds, "A", "J")
        yield f"| `{column}` | {unit} | {meaning(file, column)} |"
    yield ""
