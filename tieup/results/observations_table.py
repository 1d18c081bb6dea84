"""observations.csv: every component of every raw row, and what became of it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.adjust.pointings import PointingTests
from tieup.geometry import wrap_full
from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.model.fieldbook import Shots
from tieup.model.finding import Finding
from tieup.model.observations import AZIMUTH, DIRECTION, DISTANCE, KINDS, LEVEL_DISTANCE
from tieup.model.reconciliation import FATES, Table
from tieup.results.believed_table import believed_rows
from tieup.results.job_units import SEXAGESIMAL, small_unit
from tieup.results.levels_table import link_rows
from tieup.results.site import Site
from tieup.units import angle_factor, format_angles, length_factor

USED, UNUSED, EXCLUDED, REPEATED, INVALID = range(len(FATES))


def component_fates(site: Site) -> IntArray:
    """Return the fate of each component (m, 3) as an index into `FATES`; -1 where not observed."""
    shots = site.fieldbook.shots
    observed = np.isfinite(np.column_stack([shots.direction, shots.zenith, shots.distance]))
    fate = np.where(site.tests.solved, USED, UNUSED)
    fate[site.excluded & observed] = EXCLUDED
    fate[shots.repeated] = REPEATED
    fate[~observed] = -1
    return fate


def row_fates(site: Site) -> dict[str, int]:
    """Count the raw rows by fate: used where any component is, else the gravest of the others."""
    components = component_fates(site)
    fate = np.full(len(components), UNUSED)
    for value in (EXCLUDED, USED):
        fate[(components == value).any(axis=1)] = value
    fate[site.fieldbook.shots.repeated] = REPEATED
    counts = np.bincount(fate, minlength=len(FATES))
    counts[INVALID] = len(site.fieldbook.invalid)
    counts[UNUSED] += len(site.fieldbook.unused)
    return dict(zip(FATES, counts.tolist(), strict=True))


def observations_table(site: Site, findings: tuple[Finding, ...]) -> Table:
    """Return the observations table in the order of files and lines, then kind.

    Level runs, tapes and baselines follow, with the mark that they start from in a column ``from``;
    then what is believed of occupied setups and of control, which are no rows of their own. Where
    any row has a time, there is a column ``time``. ``findings`` say why something is left out.
    """
    ordered = _in_order(site, _readings_table(site))
    tables = [ordered, link_rows(site, findings), believed_rows(site, findings)]
    table = _stacked([rows for rows in tables if len(rows["file"])] or [ordered])
    return table | {"tau": table["w"] / sigma0_of(site.tests)}


def sigma0_of(tests: PointingTests) -> float:
    """Return the sigma0 that residuals are studentized by; NaN where none can be tested so.

    With one degree of freedom every tau is 1 (Pope, 1976).
    """
    scatters = tests.dof > 1 and tests.weighted_sum > 0.0
    return math.sqrt(tests.weighted_sum / tests.dof) if scatters else math.nan


def _readings_table(site: Site) -> dict[str, NDArray[Any]]:
    """Return the rows of raw files, in any order."""
    shots = site.fieldbook.shots
    fate = component_fates(site)
    rows, kinds = np.nonzero(fate >= 0)
    values = np.column_stack([shots.direction, shots.zenith, shots.distance])[rows, kinds]
    residual = site.tests.residual[rows, kinds]
    small = small_unit(3)[kinds]
    setups = np.array([setup.label for setup in site.fieldbook.setups], dtype=object)
    points = np.array(site.fieldbook.points, dtype=object)
    reason = np.where(fate[rows, kinds] == USED, "", site.reason[rows])
    table: dict[str, NDArray[Any]] = {
        "file": shots.file[rows],
        "line": shots.line[rows],
        "setup": setups[shots.setup[rows]],
        "point": points[shots.point[rows]],
        "kind": _kind_names(shots, rows, kinds),
        "observed": _readings(site, values, kinds),
        "adjusted": _readings(site, _turned(values + residual, kinds), kinds),
        "residual": residual / small,
        "sd": site.tests.sd[rows, kinds] / small,
        "redundancy": site.tests.redundancy[rows, kinds],
        "w": site.tests.w[rows, kinds],
        "mdb": site.tests.mdb[rows, kinds] / small,
        "status": np.array(FATES, dtype=object)[fate[rows, kinds]],
        "reason": reason.astype(object),
    }
    if np.isfinite(shots.time).any():
        table["time"] = _times(shots.time)[rows]
    return _stacked([table, _no_shots(site, table)])


def _kind_names(shots: Shots, rows: IntArray, kinds: IntArray) -> TextArray:
    """Return what each component of a row is called."""
    names = np.array(KINDS, dtype=object)[kinds]
    names[shots.azimuth[rows] & (kinds == DIRECTION)] = AZIMUTH
    names[shots.level[rows] & (kinds == DISTANCE)] = LEVEL_DISTANCE
    return np.asarray(names)


def _times(seconds: FloatArray) -> TextArray:
    """Return times (m,) in seconds of the epoch as ISO 8601; empty where there is none."""
    moments = np.round(seconds).astype("datetime64[s]")
    texts = np.datetime_as_string(moments).astype(object)
    texts[~np.isfinite(seconds)] = ""
    return np.asarray(texts)


def _turned(values: FloatArray, kinds: IntArray) -> FloatArray:
    return np.where(kinds == DISTANCE, values, wrap_full(np.nan_to_num(values)) + 0.0 * values)


def _readings(site: Site, values: FloatArray, kinds: IntArray) -> NDArray[Any]:
    """Return readings in the job's units; text where angles are a notation."""
    unit = site.job.angle_unit
    lengths = values / length_factor(site.job.length_unit)
    if unit not in SEXAGESIMAL:
        return np.where(kinds == DISTANCE, lengths, values / angle_factor(unit))
    texts = np.array(format_angles(np.where(kinds == DISTANCE, 0.0, values), unit), dtype=object)
    far = np.flatnonzero(kinds == DISTANCE)
    texts[far] = ["" if v != v else f"{v:.4f}" for v in lengths[far].tolist()]
    return texts


def _no_shots(site: Site, like: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Return the rows of the table for what could not be read or is marked unused."""
    book = site.fieldbook
    rows = [(row, "invalid") for row in book.invalid] + [(row, "unused") for row in book.unused]
    entries = [(row, kind, fate) for row, fate in rows for kind in (row.kinds or ("",))]
    table: dict[str, NDArray[Any]] = {}
    for name, column in like.items():
        blank: Any = "" if column.dtype == object else np.nan
        table[name] = np.full(
            len(entries), blank, dtype=column.dtype if column.dtype == object else float
        )
    table["file"] = np.array([row.file for row, _, _ in entries], dtype=np.int64)
    table["line"] = np.array([row.line for row, _, _ in entries], dtype=np.int64)
    for name, values in (
        ("setup", [row.setup for row, _, _ in entries]),
        ("point", [row.point for row, _, _ in entries]),
        ("kind", [kind for _, kind, _ in entries]),
        ("status", [fate for _, _, fate in entries]),
        ("reason", [row.reason for row, _, _ in entries]),
    ):
        table[name] = np.array(values, dtype=object)
    return table


def _stacked(tables: list[dict[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """Return tables one below the other; texts that one of them lacks are empty there."""
    names = dict.fromkeys(name for table in tables for name in table)
    return {
        name: np.concatenate(
            [
                table[name] if name in table else np.full(len(table["file"]), "", dtype=object)
                for table in tables
            ]
        )
        for name in names
    }


def _in_order(site: Site, table: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    order = np.lexsort((table["line"], table["file"]))
    files: TextArray = np.array([file.name for file in site.fieldbook.files], dtype=object)
    result = dict(table)
    if (np.diff(order) < 0).any():  # else they stand in order already, as most jobs are read
        result = {name: column[order] for name, column in table.items()}
    result["file"] = files[result["file"]]
    return result
