"""A plain least-squares judge of simulated surveys: dense, numeric derivatives, numpy only.

Shares no code with the package. Linear about the truth, which millimetre errors allow.
Unknowns: axis and orientation of each setup, every mark seen more than once. Observations:
the mean of the pointings of each sight with its full 3 x 3 covariance (pointings / n +
target centring and height), the axis of occupied setups over their mark, weighted control.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from tests.simulate.survey import Survey
from tieup.model.arrays import BoolArray, FloatArray

STEP = 1e-4  # m or rad, for central differences
TWO_R = 2.0 * 6_371_000.0  # m


@dataclass(frozen=True)
class Verdict:
    """Weighted sum of squared residuals, degrees of freedom, decorrelated residuals."""

    squares: float
    freedom: int

    @property
    def factor(self) -> float:
        """Return the variance factor, 1 where the stated precision is right."""
        return self.squares / self.freedom


def observe(sightline: FloatArray, refraction: float) -> FloatArray:
    """Return azimuth, zenith angle, distance of one vector (3,)."""
    north, east, up = sightline
    flat = np.sqrt(north**2 + east**2)
    return np.array(
        [
            np.arctan2(east, north),
            np.pi / 2 - np.arctan(up / flat) + (1 - refraction) * flat / TWO_R,
            np.sqrt(flat**2 + up**2),
        ]
    )


def jacobian(function: Callable[[FloatArray], FloatArray], at: FloatArray) -> FloatArray:
    """Differentiate a vector function numerically, shape (outputs, inputs)."""
    steps = STEP * np.eye(len(at))
    return np.stack([(function(at + s) - function(at - s)) / (2 * STEP) for s in steps], axis=1)


class _Equations:
    """Normal equations gathered block by block, each whitened by its own covariance."""

    def __init__(self, unknowns: int) -> None:
        self.rows: list[FloatArray] = []
        self.misclosures: list[FloatArray] = []
        self.unknowns = unknowns

    def add(
        self, columns: list[int], part: FloatArray, misclosure: FloatArray, cov: FloatArray
    ) -> None:
        row = np.zeros((len(misclosure), self.unknowns))
        keep = [i for i, c in enumerate(columns) if c >= 0]
        row[:, [columns[i] for i in keep]] = part[:, keep]
        whiten = np.linalg.inv(np.linalg.cholesky(cov))
        self.rows.append(whiten @ row)
        self.misclosures.append(whiten @ misclosure)

    def solve(self) -> Verdict:
        design, misclosure = np.vstack(self.rows), np.concatenate(self.misclosures)
        solution, _, rank, _ = np.linalg.lstsq(design, misclosure, rcond=1e-12)
        rest = misclosure - design @ solution
        return Verdict(float(rest @ rest), len(misclosure) - int(rank))


def judge(survey: Survey, without: Sequence[str] = ()) -> Verdict:
    """Adjust a survey, leaving out the rows "file:line" in ``without`` and unreadable ones."""
    used = np.ones(len(survey), dtype=bool)
    used[list(survey.damage)] = False
    used &= ~survey.shots.repeated
    used &= ~np.isin(survey.lines(np.arange(len(survey))), list(without))
    columns, names = _unknowns(survey, used)
    equations = _Equations(1 + max(max(c) for c in columns.values()))
    _sights(survey, used, columns, equations)
    _stations(survey, columns, equations)
    _control(survey, columns, names, equations)
    return equations.solve()


def _unknowns(survey: Survey, used: BoolArray) -> tuple[dict[str, list[int]], list[str]]:
    """Number the unknowns: "@label" for a setup (N, E, H, orientation), marks by name."""
    shots = survey.shots
    pairs = {(int(p), int(s)) for p, s in zip(shots.point[used], shots.setup[used], strict=True)}
    setups = Counter(survey.points[p] for p, _ in pairs)
    setups.update(setup.station for setup in survey.setups if setup.station)
    known = survey.control.names if survey.control else ()
    names = [name for name, count in setups.items() if count > 1 or name in known]
    fixed = set()
    if survey.control:
        each = zip(survey.control.names, survey.control.sd, strict=True)
        fixed = {name for name, sd in each if not sd.any()}
    columns, count = {}, 0
    for setup in survey.setups:
        columns[f"@{setup.label}"] = list(range(count, count + 4))
        count += 4
    for name in names:
        columns[name] = [-1] * 3 if name in fixed else list(range(count, count + 3))
        count += 0 if name in fixed else 3
    return columns, names


def _position(survey: Survey, name: str) -> FloatArray:
    """Return where control puts a mark, or else the truth."""
    if survey.control and name in survey.control.names:
        row = survey.control.names.index(name)
        if not survey.control.sd[row].any():
            return np.asarray(survey.control.coordinates[row])
    return np.asarray(survey.truth.position[survey.truth.points.index(name)])


def _sights(
    survey: Survey, used: BoolArray, columns: dict[str, list[int]], equations: _Equations
) -> None:
    shots, precision, k = survey.shots, survey.precision, survey.refraction
    used = used & np.isin(
        shots.point, [survey.points.index(n) for n in columns if n in survey.points]
    )
    centring, height = precision.centring_target, precision.height_target
    target = np.diag([centring**2, centring**2, height**2])
    keys = {(s, p, h) for s, p, h in zip(shots.setup[used], shots.point[used],
                                         shots.target_height[used], strict=True)}  # fmt: skip
    for s, p, h in sorted(keys):
        rows = used & (shots.setup == s) & (shots.point == p) & (shots.target_height == h)
        label, name = survey.setups[s].label, survey.points[p]
        number = survey.truth.setups.index(label)
        line = _position(survey, name) + np.array([0, 0, h]) - survey.truth.axis[number]
        expected = observe(line, k)
        by_line = jacobian(lambda v: observe(v, k), line)
        gear = precision.instruments[survey.setups[s].instrument]
        reach = gear.distance_constant + 1e-6 * gear.distance_ppm * expected[2]
        noise = np.diag([gear.direction, gear.zenith, reach]) ** 2 / np.sum(rows)
        covariance = noise + by_line @ target @ by_line.T
        part = np.hstack([-by_line, [[-1.0], [0.0], [0.0]], by_line])
        misclosure = _mean(survey, rows, expected, float(survey.truth.orientation[number]))
        equations.add(columns[f"@{label}"] + columns[name], part, misclosure, covariance)


def _mean(survey: Survey, rows: BoolArray, expected: FloatArray, zero: float) -> FloatArray:
    """Return the mean of face 1 values minus the expected ones (rad, rad, m)."""
    shots, reverse = survey.shots, survey.shots.face[rows] == 2
    direction = shots.direction[rows] - np.where(reverse, np.pi, 0.0) + zero - expected[0]
    zenith = np.where(reverse, 2 * np.pi - shots.zenith[rows], shots.zenith[rows]) - expected[1]
    small = np.angle(np.exp(1j * np.stack([direction, zenith])))
    distance = shots.distance[rows] - expected[2]
    return np.array([small[0].mean(), small[1].mean(), distance.mean()])


def _stations(survey: Survey, columns: dict[str, list[int]], equations: _Equations) -> None:
    precision = survey.precision
    sd = np.array([precision.centring_instrument] * 2 + [precision.height_instrument])
    for setup in survey.setups:
        if setup.station in columns:
            axis = survey.truth.axis[survey.truth.setups.index(setup.label)]
            height = np.array([0.0, 0.0, setup.instrument_height])
            booked = _position(survey, setup.station) + height
            part = np.hstack([np.eye(3), np.zeros((3, 1)), -np.eye(3)])
            unknowns = columns[f"@{setup.label}"] + columns[setup.station]
            equations.add(unknowns, part, booked - axis, np.diag(sd**2))


def _control(
    survey: Survey, columns: dict[str, list[int]], names: list[str], equations: _Equations
) -> None:
    if survey.control is None:
        return
    rows = zip(survey.control.names, survey.control.coordinates, survey.control.sd, strict=True)
    for name, place, sd in rows:
        if name in names and sd.any():
            misclosure = place - _position(survey, name)
            equations.add(columns[name], np.eye(3), misclosure, np.diag(sd**2))
