"""Write the files of a plan beside the results of the field, never over them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from hashlib import sha256
from pathlib import Path

from tieup.model.plan import Forecast
from tieup.model.reconciliation import Table
from tieup.write.columns import (
    ANGLE,
    COORDINATE,
    COUNT,
    MILLIMETRE,
    PLACE,
    RATIO,
    RESIDUAL,
    SPREAD,
    SPREADS,
    TEXT,
)
from tieup.write.documents import json_text
from tieup.write.folder import check_target, write_set
from tieup.write.plan_screen import plan_record
from tieup.write.tables import csv_text

RECORD = "plan.json"

PLAN_POINTS: Mapping[str, str] = {
    "point": TEXT,
    **PLACE,
    "role": TEXT,
    "proof": TEXT,
    **SPREADS,
    "ellipse_major": SPREAD,
    "ellipse_minor": SPREAD,
    "ellipse_azimuth": ANGLE,
    "elevation_interval": SPREAD,
    "limit_horizontal": SPREAD,
    "limit_elevation": SPREAD,
    "caught_plan": SPREAD,
    "caught_height": SPREAD,
    "unnoticed_horizontal": SPREAD,
    "unnoticed_elevation": SPREAD,
    "hidden_horizontal": SPREAD,
    "hidden_elevation": SPREAD,
    "checked_share": RATIO,
    "setups": TEXT,
    "verdict": TEXT,
}
PLAN_SIGHTS: Mapping[str, str] = {
    "setup": TEXT,
    "station": TEXT,
    "point": TEXT,
    "source": TEXT,
    "distance": COORDINATE,
    "pointings": COUNT,
    "sd_direction": RESIDUAL,
    "sd_zenith": RESIDUAL,
    "sd_distance": RESIDUAL,
    "redundancy_direction": RATIO,
    "redundancy_zenith": RATIO,
    "redundancy_distance": RATIO,
    "mdb_direction": RESIDUAL,
    "mdb_zenith": RESIDUAL,
    "mdb_distance": RESIDUAL,
    "mdb_at_mark_direction": MILLIMETRE,
    "mdb_at_mark_zenith": MILLIMETRE,
    "mdb_at_mark_distance": MILLIMETRE,
    "moves_plan": MILLIMETRE,
    "moves_height": MILLIMETRE,
    "caught_plan": SPREAD,
    "caught_height": SPREAD,
}
BAY: Mapping[str, str] = {
    "known_horizontal": SPREAD,
    "known_elevation": SPREAD,
    "unnoticed_horizontal": SPREAD,
    "unnoticed_elevation": SPREAD,
    "hidden_horizontal": SPREAD,
    "hidden_elevation": SPREAD,
    "tie_share": RATIO,
    "verdict": TEXT,
}
PLAN_SETUPS: Mapping[str, str] = {
    "setup": TEXT,
    "station": TEXT,
    **PLACE,
    **SPREADS,
    "sd_orientation": ANGLE,
    "ties": COUNT,
    "redundancy": RATIO,
    "geometry": TEXT,
    "geometry_sd": MILLIMETRE,
    "used_at": TEXT,
    **BAY,
}
PLAN_JOINTS: Mapping[str, str] = {"first": TEXT, "second": TEXT, **BAY}
TABLES: Mapping[str, tuple[Mapping[str, str], Callable[[Forecast], Table]]] = {
    "plan_points.csv": (PLAN_POINTS, lambda forecast: forecast.points),
    "plan_sights.csv": (PLAN_SIGHTS, lambda forecast: forecast.sights),
    "plan_setups.csv": (PLAN_SETUPS, lambda forecast: forecast.setups),
    "plan_joints.csv": (PLAN_JOINTS, lambda forecast: forecast.joints),
}


def write_plan(forecast: Forecast, out: Path) -> tuple[Path, ...]:
    """Write the four tables and plan.json into ``out``, all or none; return their paths.

    Raises
    ------
    OutputError
        ``out`` holds the job or its raw data, or cannot be written; nothing has changed.
    """
    check_target(out, forecast.job)
    unit, names = forecast.job.angle_unit, [*TABLES, RECORD]
    contents = [
        (name, csv_text(table(forecast), columns, unit))
        for name, (columns, table) in TABLES.items()
    ]
    hashes = {name: sha256(text.encode()).hexdigest() for name, text in contents}
    own = {"files": names, "sha256": hashes}
    record = {**plan_record(forecast.answer), **forecast.run, **own}
    write_set(out, [*contents, (RECORD, json_text(record))], record=RECORD)
    return tuple(out / name for name in names)
