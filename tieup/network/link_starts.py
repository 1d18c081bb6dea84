"""Start values without any instrument setup: of level runs, and of vectors.

Takes an assembly without setups and gives the height of every mark that runs join to the
frame, and the place of every mark that vectors join to it. What nothing observed stays unknown.
"""

from __future__ import annotations

import numpy as np

from tieup.errors import NetworkError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Start
from tieup.model.settings import Datum
from tieup.network.assembly import Assembly
from tieup.network.heights import HeightState, Rises, grow_heights
from tieup.network.polar_sets import PLAIN, SURE
from tieup.network.refusals import refuse_two_turns
from tieup.network.vectors import hung_places


def start_of_lines(assembly: Assembly, datum: Datum) -> Start:
    """Return the start of a job of level runs and vectors alone.

    Raises
    ------
    NetworkError
        There are none, or none of them touches what the datum asks for.
    """
    if not len(assembly.vectors) and assembly.links.in_plan.all():
        raise NetworkError(
            "raw files: no reading can be used, and there are no levels. Taped distances alone "
            "place no mark. Add raw files, or name a list: levels: levels.csv"
        )
    refuse_two_turns(assembly, datum)
    held = datum.kind == "control"
    plan = _plan(assembly, held)
    height, reached = _heights(assembly, datum, np.isfinite(plan[:, 0]))
    position = np.column_stack([plan, height])
    if held:
        known = np.isfinite(assembly.control)
        known &= np.column_stack([np.isfinite(plan), reached])
        position = np.where(known, assembly.control, position)
    points, links = len(assembly.points), len(assembly.links.start)
    return Start(
        axis=np.zeros((0, 3)),
        orientation=np.zeros(0),
        position=position,
        plan_setup=_none(0),
        height_setup=_none(0),
        plan_point=np.isfinite(plan[:, 0]),
        height_point=reached,
        component=np.zeros(0, dtype=np.int64),
        gross=np.zeros((0, 3), dtype=np.bool_),
        gross_station=np.zeros((0, 2), dtype=np.bool_),
        gross_control=np.zeros((points, 3), dtype=np.bool_),
        gross_link=_none(links),  # links are linear: however wrong one is, the tests bear it
    )


def _none(count: int) -> BoolArray:
    return np.zeros(count, dtype=np.bool_)


def _plan(assembly: Assembly, held: bool) -> FloatArray:
    """Return northing and easting (P, 2) of what vectors join to the frame, else NaN."""
    vectors = assembly.vectors
    plan = np.full((len(assembly.points), 2), np.nan)
    if not len(vectors):
        return plan
    place, piece = hung_places(vectors, assembly.control[:, :2], assembly.control_sd[:, :2], held)
    touched = np.zeros(len(plan), dtype=np.bool_)
    touched[vectors.start] = touched[vectors.end] = True
    known = np.isfinite(assembly.control[:, :2]).all(axis=1)
    joined = touched & (piece == 0)
    if not held or (joined & known).any():
        plan[joined] = np.column_stack([place.real, place.imag])[joined]
    return plan


def _heights(assembly: Assembly, datum: Datum, placed: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Return heights (P,) and which of them (P,) belong to the frame.

    Raises
    ------
    NetworkError
        Nothing known is touched, in plan or in height.
    """
    rises = _rises(assembly, placed)
    if not len(rises.levelled):
        raise NetworkError(_no_known_mark(assembly))
    heights = grow_heights(rises, datum.kind == "control")
    joined = np.asarray(heights.piece_mark == 0)
    if datum.kind == "control" and not np.isfinite(assembly.control[rises.mark, 2]).any():
        if not placed.any():
            raise NetworkError(_no_known_mark(assembly))
        joined = _none(len(joined))
    return heights.position + _shift(heights, assembly, datum), joined


def _no_known_mark(assembly: Assembly) -> str:
    """Say that nothing observed touches control."""
    if len(assembly.vectors):
        return (
            "control: no baseline touches a mark of known northing and easting. Give one of the "
            "marks of the baselines its coordinates in control.csv, check the names, or use "
            "datum: free"
        )
    return (
        "control: no level run touches a mark of known elevation. Give one of the marks "
        "of the levels its elevation in control.csv, check the names, or use datum: free"
    )


def _rises(assembly: Assembly, placed: BoolArray) -> Rises:
    start, end, difference, sd = assembly.levels(placed)
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
    """Return what puts the first piece into the frame (m); control does so already."""
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
