"""Start values of level runs without any instrument setup: heights alone.

Takes an assembly without setups and gives the height of every mark that runs join to the
frame. Plan positions stay unknown: nothing observed them.
"""

from __future__ import annotations

import numpy as np

from tieup.errors import NetworkError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Start
from tieup.model.settings import Datum
from tieup.network.assembly import Assembly
from tieup.network.clouds import PLAIN, SURE
from tieup.network.heights import HeightState, Rises, grow_heights


def start_of_lines(assembly: Assembly, datum: Datum) -> Start:
    """Return the start of a job of level runs alone.

    Raises
    ------
    NetworkError
        There are no runs, or none of them touches what the datum asks for.
    """
    if not (assembly.links.kind == "level").any():
        raise NetworkError(
            "raw files: no reading can be used, and there are no levels. Taped distances alone "
            "place no mark. Add raw files, or name a list: levels: levels.csv"
        )
    heights = grow_heights(_rises(assembly), datum.kind == "control")
    position = heights.position + _shift(heights, assembly, datum)
    known = np.isfinite(assembly.control[:, 2]) & (heights.piece_mark == 0)
    if datum.kind == "control":
        position = np.where(known, assembly.control[:, 2], position)
    points, links = len(assembly.points), len(assembly.links.start)
    return Start(
        axis=np.zeros((0, 3)),
        orientation=np.zeros(0),
        position=np.column_stack([np.full((points, 2), np.nan), position]),
        plan_setup=_none(0),
        height_setup=_none(0),
        plan_point=_none(points),
        height_point=np.asarray(heights.piece_mark == 0),
        component=np.zeros(0, dtype=np.int64),
        gross=np.zeros((0, 3), dtype=np.bool_),
        gross_station=np.zeros((0, 2), dtype=np.bool_),
        gross_control=np.zeros((points, 3), dtype=np.bool_),
        gross_link=_none(links),  # runs are linear: however wrong one is, the tests bear it
    )


def _none(count: int) -> BoolArray:
    return np.zeros(count, dtype=np.bool_)


def _rises(assembly: Assembly) -> Rises:
    start, end, difference, sd = assembly.levels
    runs: IntArray = np.arange(len(start))
    none: FloatArray = np.zeros(len(start))
    near = PLAIN / 2 + SURE * sd
    return Rises(
        unit=np.concatenate([runs, runs]),
        mark=np.concatenate([start, end]),
        rise=np.concatenate([none, difference]),
        tolerance=np.concatenate([none + PLAIN / 2, near]),
        sd=np.concatenate([sd, sd]),
        levelled=np.ones(len(start), dtype=np.bool_),
        elevation=assembly.control[:, 2],
        elevation_sd=assembly.control_sd[:, 2],
    )


def _shift(heights: HeightState, assembly: Assembly, datum: Datum) -> float:
    """Return what puts the first piece into the frame (m)."""
    if datum.kind == "control":
        known = np.flatnonzero(np.isfinite(assembly.control[:, 2]))
        if not np.isin(known, np.concatenate([assembly.links.start, assembly.links.end])).any():
            raise NetworkError(
                "control: no level run touches a mark of known elevation. Give one of the marks "
                "of the levels its elevation in control.csv, check the names, or use datum: free"
            )
        return 0.0
    if datum.local is None:
        return 0.0
    name = datum.local.point
    if datum.local.toward not in assembly.points:
        raise NetworkError(
            f"datum: local.toward {datum.local.toward} is not in the levels - name a mark that is"
        )
    mark = assembly.points.index(name) if name in assembly.points else -1
    if mark < 0 or heights.piece_mark[mark] != 0:
        raise NetworkError(
            f"datum: local.point {name} is not reached by the levels - name a mark that is"
        )
    return float(datum.local.elevation - assembly.origin[2] - heights.position[mark])
