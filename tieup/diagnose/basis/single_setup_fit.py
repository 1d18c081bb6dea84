"""What one setup alone says of its marks, and how well that agrees with everything else.

The fit has no start values and no statistics: closed forms on row-by-row places, so that a
whole setup can be looked at under another reading of its numbers in well under a
millisecond. What it suggests is confirmed by solving.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.geometry import curvature_coefficient, polar_offset
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Network
from tieup.model.observations import Sights
from tieup.network.rigid import ComplexArray, consensus
from tieup.reduce.faces import normalise, resolve_face

NEAR, TURNED = 0.05, 2e-4  # m and rad: start values are good to this; beyond it, marks disagree


@dataclass(frozen=True)
class SetupReadings:
    """Readings of some rows as on the circle (rad, rad, m) and target heights (m), (n,) each."""

    direction: FloatArray
    zenith: FloatArray
    distance: FloatArray
    target_height: FloatArray


@dataclass(frozen=True)
class SingleSetupFit:
    """The marks of one setup in its own frame, (n,) each, ``point`` without repeats.

    ``plan`` (m, complex northing + i easting, the circle's zero as north) and ``rise`` (m, mark
    above the trunnion axis), means of the pointings; ``spread`` (m): the largest distance of
    a pointing from its mean. ``far`` (m) is the horizontal distance.
    """

    point: IntArray
    plan: ComplexArray
    rise: FloatArray
    spread: FloatArray
    far: FloatArray

    def take(self, rows: IntArray | BoolArray) -> SingleSetupFit:
        """Return the chosen marks."""
        return SingleSetupFit(
            self.point[rows], self.plan[rows], self.rise[rows], self.spread[rows], self.far[rows]
        )


@dataclass(frozen=True)
class Known:
    """Where marks lie by everything but one setup, (P,): m, NaN where unknown.

    ``sources`` (P,) counts the setups that say so, control counting as two: one setup alone
    may be as wrong as the one in question.
    """

    plan: ComplexArray
    height: FloatArray
    sources: IntArray


@dataclass(frozen=True)
class Agreement:
    """How marks agree: ``offered`` and ``agreeing`` in plan, ``levelled`` and ``level`` in height.

    ``cost`` counts what does not agree: each mark between 0 (exact) and 1 (beyond tolerance),
    in plan and in height. ``misfit`` (m) is the root mean square over everything.
    """

    offered: int
    agreeing: int
    levelled: int
    level: int
    cost: float
    misfit: float

    @property
    def whole(self) -> bool:
        """Say whether every mark agrees."""
        return self.agreeing == self.offered and self.level == self.levelled


def readings_of(case: Case, rows: IntArray) -> SetupReadings:
    """Return the readings of rows, NaN where they take no part."""
    shots, use = case.shots, case.use[rows]
    return SetupReadings(
        np.where(use[:, 0], shots.direction[rows], np.nan),
        np.where(use[:, 1], shots.zenith[rows], np.nan),
        np.where(use[:, 2], shots.distance[rows], np.nan),
        shots.target_height[rows],
    )


def rows_of_setup(case: Case, setup: int) -> IntArray:
    """Return the rows of a setup that take part, in recorded order."""
    return np.flatnonzero((case.shots.setup == setup) & case.use.any(axis=1))


def row_places(
    case: Case, rows: IntArray, readings: SetupReadings
) -> tuple[ComplexArray, FloatArray]:
    """Return where each row puts its mark in its setup's frame: plan (n,) and rise (n,) in m.

    A distance without zenith angle counts as level and gives no rise.
    """
    shots = case.shots
    face, _ = resolve_face(shots.face[rows], readings.zenith)
    direction, zenith = normalise(readings.direction, readings.zenith, face)
    level = np.isnan(zenith)
    offset = polar_offset(
        direction,
        np.where(level, 0.5 * np.pi, zenith),
        readings.distance + shots.prism_constant[rows],
        curvature_coefficient(case.refraction),
    )
    rise = np.where(level, np.nan, offset[:, 2] - readings.target_height)
    return offset[:, 0] + 1j * offset[:, 1], rise


def marks_alone(case: Case, rows: IntArray, readings: SetupReadings) -> SingleSetupFit:
    """Return the marks that some rows of a setup place."""
    plan, rise = row_places(case, rows, readings)
    placed = np.flatnonzero(np.isfinite(plan))
    point, group = np.unique(case.shots.point[rows[placed]], return_inverse=True)
    plan, rise = plan[placed], rise[placed]
    mean_plan = _mean(plan.real, group, len(point)) + 1j * _mean(plan.imag, group, len(point))
    mean_rise = _mean(rise, group, len(point))
    away = np.hypot(np.abs(plan - mean_plan[group]), np.nan_to_num(rise - mean_rise[group]))
    spread = np.zeros(len(point))
    np.maximum.at(spread, group, away)
    return SingleSetupFit(point, mean_plan, mean_rise, spread, np.abs(mean_plan))


def _mean(value: FloatArray, group: IntArray, groups: int) -> FloatArray:
    """Return means by group, of what is there."""
    there = np.isfinite(value)
    total = np.bincount(group[there], weights=value[there], minlength=groups)
    count = np.bincount(group[there], minlength=groups)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(count > 0, total / count, np.nan))


def with_station(marks: SingleSetupFit, station: int, instrument_height: float) -> SingleSetupFit:
    """Return the marks with the one that the setup stands over (a point's number)."""
    others = marks.take(marks.point != station)
    return SingleSetupFit(
        np.append(others.point, station),
        np.append(others.plan, 0.0),
        np.append(others.rise, -instrument_height),
        np.append(others.spread, 0.0),
        np.append(others.far, 0.0),
    )


def places_by_start(sights: Sights, network: Network, refraction: float) -> FloatArray:
    """Return where each sight puts its mark by the start values, (k, 3) in m.

    A sight without zenith angle counts as level and has no height.
    """
    start = network.start
    level = np.isnan(sights.value[:, 1])
    offset = polar_offset(
        sights.value[:, 0] + start.orientation[sights.setup],
        np.where(level, 0.5 * np.pi, sights.value[:, 1]),
        sights.value[:, 2],
        curvature_coefficient(refraction),
    )
    place = start.axis[sights.setup] + offset
    place[:, 2] -= sights.target_height
    place[level | ~start.height_setup[sights.setup], 2] = np.nan
    return np.asarray(place)


def known_without(network: Network, case: Case, setup: int) -> Known:
    """Return where control and the other setups put the marks of a setup, by the start.

    ``case`` says which marks those are; ``network`` may be of a case without the setup.
    """
    start, sights = network.start, network.sights
    count = len(network.point_names)
    wanted = np.zeros(count, dtype=bool)
    wanted[case.shots.point[rows_of_setup(case, setup)]] = True
    if case.setups[setup].station:
        wanted[network.point_names.index(case.setups[setup].station)] = True
    usable = start.plan_setup[sights.setup] & (sights.setup != setup) & wanted[sights.point]
    usable &= np.isfinite(sights.value[:, [0, 2]]).all(axis=1)
    gross = start.gross.any(axis=1)
    # A mark that only gross sights are left of: perhaps this setup made them so.
    trusted = np.zeros(count, dtype=bool)
    trusted[sights.point[usable & ~gross]] = True
    rows = np.flatnonzero(usable & ~(gross & trusted[sights.point]))
    place = places_by_start(sights, network, case.refraction)[rows]
    height, plan = np.full(count, np.nan), np.full(count, np.nan, dtype=np.complex128)
    sources = np.bincount(sights.point[rows], minlength=count)
    for point in np.unique(sights.point[rows]).tolist():
        seen = place[sights.point[rows] == point]
        plan[point] = complex(np.median(seen[:, 0]), np.median(seen[:, 1]))
        levels = seen[np.isfinite(seen[:, 2]), 2]
        height[point] = np.median(levels) if len(levels) else np.nan
    return _with_control(network, Known(plan, height, sources))


def _with_control(network: Network, known: Known) -> Known:
    believed = np.isfinite(network.control)
    if len(network.start.gross_control):
        believed &= ~network.start.gross_control
    both: BoolArray = np.asarray(believed[:, :2].all(axis=1))
    plan = np.where(both, network.control[:, 0] + 1j * network.control[:, 1], known.plan)
    height = np.where(believed[:, 2], network.control[:, 2], known.height)
    return replace(known, plan=plan, height=height, sources=known.sources + 2 * both)


def agreement(marks: SingleSetupFit, known: Known) -> Agreement:
    """Fit the marks of a setup onto where they are known to be, as well as possible."""
    marks = marks.take(np.isfinite(known.plan[marks.point]))
    here, tolerance = known.plan[marks.point], NEAR + TURNED * marks.far
    off = np.full(len(here), np.inf)
    fit = consensus(marks.point, here, marks.plan, tolerance)
    if fit is not None:
        off = np.abs(here - (fit.turn * marks.plan + fit.shift))
    off = np.maximum(off, marks.spread)
    lift = known.height[marks.point] - marks.rise
    levels = np.isfinite(lift)
    above = _level_misfit(lift[levels], tolerance[levels])
    missed = np.concatenate([off / tolerance, above / tolerance[levels]])
    everything = np.minimum(np.concatenate([off, above]), 1e3)
    return Agreement(
        len(off),
        int((off <= tolerance).sum()),
        len(above),
        int((above <= tolerance[levels]).sum()),
        float((np.minimum(missed, 1.0) ** 2).sum()),
        float(np.sqrt((everything**2).mean())) if len(everything) else np.nan,
    )


def _level_misfit(lift: FloatArray, tolerance: FloatArray) -> FloatArray:
    """Return how far each lift (n,) is from the one that most agree with."""
    if not len(lift):
        return lift
    apart = np.abs(lift[:, None] - lift)
    inside = apart <= tolerance
    best = int(np.argmax(inside.sum(axis=1)))
    return np.asarray(np.abs(lift - lift[inside[best]].mean()))
