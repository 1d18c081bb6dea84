"""Derived points, and what the field stored, as tables of the page.

Everything is read off the tables behind derived.csv, field_setups.csv and field.csv.
"""

from __future__ import annotations

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import IntArray
from tieup.model.reconciliation import Reconciliation, Table
from tieup.write.columns import DERIVED, FIELD_SETUPS
from tieup.write.page.page_table import (
    JUDGED,
    LENGTH,
    NUMBER,
    PLACE,
    POINT,
    SPREADS,
    STEPS,
    TEXT,
    VERDICT,
    PageColumn,
    PageTable,
    columns_of,
    left_out,
    length,
    numbers,
    texts,
)

MOST_DERIVED, MOST_SETUPS, MOST_MOVED = 300, 200, 200
DERIVED_HEADS = (
    ("Point", POINT, "point"),
    ("How", TEXT, "how"),
    *PLACE,
    *SPREADS,
    ("Remarks", TEXT, "remarks"),
)
TYPED_HEADS = (
    ("Point", POINT, "point"),
    ("Result", VERDICT, "verdict"),
    ("Measured", NUMBER, "measured_elevation"),
    ("Typed", NUMBER, "typed_elevation"),
    ("Typed - measured", LENGTH, "d_elevation"),
    ("± measured", LENGTH, "sd_difference"),
    ("Limit", LENGTH, "limit_elevation"),
    ("By", TEXT, "by"),
    ("Reason", TEXT, "reason"),
)
SETUP_HEADS = (
    ("Setup", POINT, "setup"),
    ("Frame", VERDICT, "verdict"),
    ("In words", TEXT, "says"),
    ("Points", NUMBER, "points"),
    ("Moved", NUMBER, "moved"),
    ("Stake-outs", NUMBER, "stake_outs"),
    *STEPS,
    ("Height", LENGTH, "d_elevation"),
)
MOVED_HEADS = (
    ("Point", POINT, "point"),
    ("Setup", POINT, "setup"),
    ("Moved", TEXT, "cause"),
    ("Staked out", TEXT, "stake_out"),
    *STEPS,
    *JUDGED,
)


def derived_table(site: Reconciliation) -> PageTable | None:
    """Return the derived points; of derived strings those that are odd, the rest is in strings."""
    table, lengths = site.derived, Lengths(site.job.length_unit)
    if not length(table):
        return None
    strings, remarks = texts(table, "string"), texts(table, "remarks")
    shown = [not string or remark != "" for string, remark in zip(strings, remarks, strict=True)]
    rows = np.flatnonzero(shown)[:MOST_DERIVED]
    return PageTable(
        f"Worked out of the adjusted marks, anew at every run. Coordinates in {lengths.name}; ± "
        f"are 1 sd in {lengths.small}.",
        tuple(columns_of(table, DERIVED_HEADS, site.job, rows, DERIVED)),
        left_out(len(rows), length(table), "derived points", "derived.csv"),
    )


def typed_table(site: Reconciliation) -> PageTable | None:
    """Return the elevations that a person typed, beside what was measured; None without any."""
    table, lengths = site.derived, Lengths(site.job.length_unit)
    rows = np.flatnonzero(np.isfinite(numbers(table, "typed_elevation")))
    if not len(rows):
        return None
    every, rows = len(rows), rows[:MOST_DERIVED]
    return PageTable(
        f"Elevations that a person typed, in {lengths.name}, held as typed beside what was "
        f"measured; differences in {lengths.small}, ± is 1 sd.",
        tuple(columns_of(table, TYPED_HEADS, site.job, rows, DERIVED)),
        left_out(len(rows), every, "typed elevations", "derived.csv"),
    )


def field_setups_table(site: Reconciliation) -> PageTable | None:
    """Return how each setup's stored coordinates lie; None where nothing was stored."""
    table, lengths = site.field_setups, Lengths(site.job.length_unit)
    if not length(table):
        return None
    rows = np.arange(length(table))[:MOST_SETUPS]
    turns = numbers(table, "turn")[rows].tolist()
    return PageTable(
        "What each setup stored in the field, minus where the points are: the shift at the "
        f"instrument in {lengths.small}, and the turn about it. Stored coordinates are compared "
        "and never used.",
        (
            *columns_of(table, SETUP_HEADS, site.job, rows, FIELD_SETUPS),
            PageColumn("Turn (arc sec)", NUMBER, [f"{turn:.0f}" for turn in turns]),
        ),
        left_out(len(rows), length(table), "setups", "field_setups.csv"),
    )


def field_table(site: Reconciliation) -> PageTable | None:
    """Return the stored points that moved, on their own first; None where none did."""
    table, lengths = site.field_rows, Lengths(site.job.length_unit)
    moved = np.flatnonzero(np.array([word == "moved" for word in texts(table, "verdict")]))
    if not len(moved):
        return None
    cause = np.asarray(table["cause"], dtype=object)[moved]
    rows = moved[np.lexsort((-_size(table, moved), cause != "on its own"))][:MOST_MOVED]
    return PageTable(
        f"Stored points that are surely elsewhere: stored minus reconciled, in {lengths.small}; "
        "± is 1 sd.",
        tuple(columns_of(table, MOVED_HEADS, site.job, rows)),
        left_out(len(rows), len(moved), "moved points", "field.csv", "the largest"),
    )


def _size(table: Table, rows: IntArray) -> np.ndarray:
    plan, height = numbers(table, "d_horizontal")[rows], numbers(table, "d_elevation")[rows]
    return np.nan_to_num(np.fmax(plan, np.abs(height)))
