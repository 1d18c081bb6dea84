"""Where setups without a circle reading, and the marks of their lines, stand at the start.

Such setups turn with nothing: growing blocks by free turns cannot place them. Their lines are
placed on what is known (`tieup.network.horizontal_lines`), before the other setups grow, so that
these find their marks there, and once more on what has grown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.errors import NetworkError
from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.settings import Datum
from tieup.network.assembly import Assembly
from tieup.network.horizontal_blocks import Cloud, HorizontalControl, HorizontalState
from tieup.network.horizontal_lines import (
    NOWHERE,
    HorizontalLines,
    place_nodes,
    plan_lines,
    without_circle,
)
from tieup.network.polar_sets import PLAIN
from tieup.network.rigid import ComplexArray
from tieup.network.trilateration import AmbiguousNetError
from tieup.network.vectors import HUNG_WEIGHT

SOME = 5  # names shown as examples


@dataclass(frozen=True)
class HorizontalSights:
    """The lines of a job, and its setups (S,) ``plain`` of circle readings.

    ``rough`` (P,) are rough places of marks in the frame of the assembly, NaN where there are none.
    """

    assembly: Assembly
    lines: HorizontalLines
    plain: BoolArray
    rough: ComplexArray

    @property
    def alone(self) -> bool:
        """Say whether no setup that sights anything has a circle reading."""
        sighting = np.bincount(self.assembly.sights.setup, minlength=len(self.plain)) > 0
        return bool(len(self.lines) and not (sighting & ~self.plain).any())

    @property
    def oriented(self) -> bool:
        """Say whether any line has an azimuth."""
        return bool(np.isfinite(self.lines.azimuth).any())

    @property
    def node(self) -> IntArray:
        """Return the node of each setup (S,)."""
        station, points = self.assembly.station, len(self.assembly.points)
        return np.where(station >= 0, station, points + np.arange(len(station)))

    def placed(self, known: ComplexArray, sd: FloatArray) -> ComplexArray:
        """Return the places of all nodes on the ``known`` ones (P + S,).

        Raises
        ------
        NetworkError
            Distances fit a net and its mirror image alike.
        """
        setups = len(self.plain)
        rough = np.concatenate([self.rough, np.full(setups, NOWHERE)])
        try:
            return place_nodes(self.lines, known, sd, rough)
        except AmbiguousNetError as error:
            if not self.alone:  # the rest of the site is solved all the same
                return place_nodes(self.lines, known, sd, None)
            points = self.assembly.points
            marks = [points[n] for n in error.nodes if n < len(points)]
            some = ", ".join(marks[:SOME]) or "a setup"
            raise NetworkError(
                f"{some}: the distances fit two places alike, one the mirror image of the other, "
                "and nothing tells which. Measure a distance to a third known mark, or give rough "
                "coordinates: field_northing and field_easting in the raw rows, or the marks in "
                "control.csv with a large sd"
            ) from error


def plan_sights(
    assembly: Assembly, horizontal: FloatArray, rough: FloatArray | None
) -> HorizontalSights:
    """Gather the lines of a job; ``horizontal`` (k,) are the horizontal distances of its sights.

    ``rough`` (n, 2) are rough northings and eastings (m) of the first marks, NaN where unknown.
    """
    points, setups = len(assembly.points), len(assembly.labels)
    near = np.full(points, NOWHERE)
    if rough is not None:
        near[: len(rough)] = (rough[:, 0] - assembly.origin[0]) + 1j * (
            rough[:, 1] - assembly.origin[1]
        )
    known = assembly.anchors
    near[known.mark] = known.place
    return HorizontalSights(
        assembly,
        plan_lines(assembly.sights, assembly.station, horizontal, points),
        without_circle(assembly.sights, setups),
        near,
    )


def line_anchors(sights: HorizontalSights, anchors: HorizontalControl) -> HorizontalControl:
    """Return ``anchors`` with the marks that lines place on them."""
    if not len(sights.lines) or not len(anchors.mark):
        return anchors
    place = sights.placed(*_known(sights, anchors))[: len(sights.assembly.points)]
    marks = np.setdiff1d(np.flatnonzero(np.isfinite(place)), anchors.mark)
    near = np.full(len(marks), PLAIN + float(np.median(sights.lines.along)))
    return HorizontalControl(
        np.concatenate([anchors.mark, marks]),
        np.concatenate([anchors.place, place[marks]]),
        np.concatenate([anchors.sd, near]),
        np.concatenate([anchors.weight, np.full(len(marks), HUNG_WEIGHT)]),
    )


def line_clouds(sights: HorizontalSights, anchors: HorizontalControl) -> tuple[Cloud, ...]:
    """Return the marks that lines tie to each other, where none of them is an anchor."""
    if not len(sights.lines) or len(anchors.mark):
        return ()
    nodes = len(sights.assembly.points) + len(sights.plain)
    place = sights.placed(np.full(nodes, NOWHERE), np.zeros(nodes))
    marks = np.flatnonzero(np.isfinite(place[: len(sights.assembly.points)]))
    near = PLAIN + float(np.median(sights.lines.along))
    return (Cloud(marks, place[marks], near),) if len(marks) > 1 else ()


def _known(sights: HorizontalSights, anchors: HorizontalControl) -> tuple[ComplexArray, FloatArray]:
    nodes = len(sights.assembly.points) + len(sights.plain)
    known, sd = np.full(nodes, NOWHERE), np.zeros(nodes)
    known[anchors.mark], sd[anchors.mark] = anchors.place, anchors.sd
    return known, sd


def start_of_plan(
    sights: HorizontalSights, anchors: HorizontalControl, datum: Datum
) -> HorizontalState:
    """Return the plan of a job whose setups all lack circle readings.

    ``anchors`` are none where the frame is the job's own.

    Raises
    ------
    NetworkError
        Nothing is placed, or a net and its mirror image fit alike.
    """
    place = sights.placed(*_known(sights, anchors))
    points, own = len(sights.assembly.points), place[sights.node]
    state = HorizontalState(own, np.where(np.isfinite(own), 0.0, np.nan), place[:points])
    sighting = np.bincount(sights.assembly.sights.setup, minlength=len(own)) > 0
    if not (np.isfinite(own) & sighting).any():
        raise NetworkError(_nothing(sights, datum))
    return state


def _nothing(sights: HorizontalSights, datum: Datum) -> str:
    more = " and two of known northing and easting" if datum.kind == "control" else ""
    if sights.oriented:
        return (
            "raw files: the azimuths and horizontal distances place no setup. A mark follows from "
            "one known mark by azimuth and distance, or from two by azimuths"
        )
    return (
        "raw files: the horizontal distances place no setup. Distances alone need triangles of "
        f"marks{more}. Measure more distances, directions or azimuths"
    )


def with_plain_setups(plan: HorizontalState, sights: HorizontalSights) -> HorizontalState:
    """Return the grown block with the setups and marks that lines place on it."""
    if not len(sights.lines):
        return plan
    points = len(plan.position)
    known = np.concatenate([plan.position, np.full(len(plan.axis), NOWHERE)])
    free = np.flatnonzero(np.isfinite(plan.axis) & ~sights.plain & (sights.assembly.station < 0))
    known[points + free] = plan.axis[free]
    place = sights.placed(known, np.zeros(len(known))) if np.isfinite(known).any() else known
    own = place[sights.node]
    axis = np.where(sights.plain, own, plan.axis)
    orientation = np.where(sights.plain & np.isfinite(own), 0.0, plan.orientation)
    return HorizontalState(axis, orientation, place[:points])


def put_near(plan: HorizontalState, anchors: HorizontalControl) -> HorizontalState:
    """Return an oriented free plan shifted to where control has its marks, else as it is."""
    gap = anchors.place - plan.position[anchors.mark]
    gap = gap[np.isfinite(gap)]
    if not len(gap):
        return plan
    shift = complex(np.median(gap.real), np.median(gap.imag))
    return replace(plan, axis=plan.axis + shift, position=plan.position + shift)


def turned_to_azimuths(plan: HorizontalState, sights: HorizontalSights) -> complex:
    """Return the turn that brings a free block to its azimuths, 1 without any."""
    lines, points = sights.lines, len(plan.position)
    place = np.concatenate([plan.position, plan.axis])
    node = np.arange(points + len(plan.axis))
    ray = place[node[lines.end]] - place[node[lines.start]]
    telling = np.isfinite(lines.azimuth) & np.isfinite(ray) & (np.abs(ray) > PLAIN)
    if not telling.any():
        return 1.0 + 0.0j
    off = lines.azimuth[telling] - np.angle(ray[telling])
    return complex(np.exp(1j * (off[0] + np.median(wrap_half(off - off[0])))))
