"""Invented sites with their truth, as arrays of reduced sights."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.geometry import ARC_SECOND, wrap_full
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.observations import Sights

REFRACTION = 0.13
EARTH = 6_371_000.0  # m
SHIFT = np.array([5e6, 5e5, 0.0])  # a national grid's size of numbers, m


@dataclass(frozen=True)
class Job:
    """A simulated job and its truth; ``wrong`` (k, 3) marks components falsified on purpose."""

    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    sights: Sights
    control: Control | None
    axis: FloatArray
    orientation: FloatArray
    position: FloatArray
    wrong: BoolArray


def observe(
    axis: FloatArray, orientation: FloatArray, target: FloatArray, seconds: float,
    metres: float, centring: float, rng: np.random.Generator,
) -> FloatArray:
    """Return direction, zenith, distance (k, 3) with noise; written out apart from the tool."""
    d = target - axis + rng.normal(size=target.shape) * centring
    plan = np.hypot(d[:, 0], d[:, 1])
    zenith = np.arctan2(plan, d[:, 2]) + (1.0 - REFRACTION) * plan / (2.0 * EARTH)
    direction = np.arctan2(d[:, 1], d[:, 0]) - orientation
    value = np.column_stack([direction, zenith, np.sqrt((d**2).sum(axis=1))])
    sd = np.array([seconds * ARC_SECOND, seconds * ARC_SECOND, metres])
    value += rng.normal(size=value.shape) * sd
    value[:, 0] = wrap_full(value[:, 0])
    return value


def make_sights(
    setup: IntArray, point: IntArray, height: FloatArray, value: FloatArray,
    seconds: float = 5.0, metres: float = 0.002,
) -> Sights:
    k = len(setup)
    sd = np.tile([seconds * ARC_SECOND, seconds * ARC_SECOND, metres], (k, 1))
    return Sights(
        setup, point, height, value, np.isfinite(value).astype(np.int64), sd, np.zeros((k, 3))
    )


def control_of(
    names: tuple[str, ...], coordinates: FloatArray, sd: float = 0.0
) -> Control:
    return Control(
        "control.csv", names, coordinates, np.full(coordinates.shape, sd),
        np.arange(len(names)) + 2, ("",) * len(names),
    )


def make_job(
    axis: FloatArray, orientation: FloatArray, position: FloatArray, sees: BoolArray,
    control: IntArray, rng: np.random.Generator, *, station: IntArray | None = None,
    seconds: float = 5.0, metres: float = 0.002, centring: float = 0.001,
) -> Job:
    """Observe every mark (P, 3) that ``sees`` (S, P) allows; ``control`` lists known marks."""
    setups, marks = sees.shape
    station = np.full(setups, -1) if station is None else station
    height = rng.uniform(1.4, 1.7, setups)
    axis = axis.copy()
    over = station >= 0
    axis[over] = position[station[over]] + np.column_stack(
        [np.zeros((over.sum(), 2)), height[over]]
    )
    setup, point = np.nonzero(sees)
    pole = rng.choice([1.3, 1.5, 2.0], size=len(setup))
    target = position[point] + np.column_stack([np.zeros((len(point), 2)), pole])
    value = observe(
        axis[setup], orientation[setup], target, seconds, metres, centring, rng
    )
    points = tuple(f"P{n}" for n in range(marks))
    book = tuple(
        Setup(f"S{s}", f"S{s}", "a.csv", points[station[s]] if station[s] >= 0 else "",
              float(height[s]) if station[s] >= 0 else 0.0, "default")
        for s in range(setups)
    )
    known = control_of(tuple(points[c] for c in control), position[control]) if len(control) else None
    return Job(
        book, points, make_sights(setup, point, pole, value, seconds, metres), known,
        axis, orientation, position, np.zeros(value.shape, bool),
    )


def random_job(
    seed: int, *, setups: int | None = None, marks: int | None = None, share: float = 0.75,
    control: int | None = None, occupied: bool = False, size: float | None = None,
    seconds: float = 5.0, metres: float = 0.002,
) -> Job:
    """Draw a site of 2-8 setups and 5-12 marks that most setups see (at least five each)."""
    rng = np.random.default_rng(seed)
    setups = int(rng.integers(2, 9)) if setups is None else setups
    marks = int(rng.integers(5, 13)) if marks is None else marks
    size = float(rng.choice([30.0, 80.0, 300.0])) if size is None else size
    position = np.column_stack(
        [rng.uniform(-size, size, (marks, 2)), rng.uniform(-3.0, 3.0, marks)]
    ) + SHIFT
    axis = np.column_stack(
        [rng.uniform(-size, size, (setups, 2)), rng.uniform(0.0, 4.0, setups)]
    ) + SHIFT
    sees = rng.random((setups, marks)) < share
    for row in sees:
        row[rng.permutation(marks)[: max(0, 5 - int(row.sum()))]] = True
        while row.sum() < min(5, marks):
            row[rng.integers(marks)] = True
    station = np.full(setups, -1)
    if occupied:
        chosen = rng.permutation(marks)[: min(setups, marks) // 2]
        station[: len(chosen)] = chosen
        sees[np.arange(len(chosen)), chosen] = False
    known = int(rng.integers(3, min(marks, 6) + 1)) if control is None else control
    return make_job(
        axis, rng.uniform(0, 2 * np.pi, setups), position, sees,
        rng.permutation(marks)[:known], rng, station=station, seconds=seconds, metres=metres,
    )


def shuffled(job: Job, seed: int) -> tuple[Job, IntArray, IntArray]:
    """Return the job with rows permuted, points renamed and setups reordered."""
    rng = np.random.default_rng(seed)
    rows = rng.permutation(len(job.sights))
    new_point = rng.permutation(len(job.points))  # new number of each point
    new_setup = rng.permutation(len(job.setups))
    names = [f"N{rng.integers(10**9)}" for _ in job.points]
    rename = dict(zip(job.points, names, strict=True))
    points = [""] * len(names)
    for old, new in enumerate(new_point):
        points[new] = names[old]
    book: list[Setup] = list(job.setups)
    for old, new in enumerate(new_setup):
        setup = job.setups[old]
        book[new] = replace(setup, station=rename.get(setup.station, ""))
    s = job.sights
    sights = Sights(
        new_setup[s.setup][rows], new_point[s.point][rows], s.target_height[rows],
        s.value[rows], s.count[rows], s.pointing_sd[rows], s.common_sd[rows],
    )
    control = job.control
    if control is not None:
        control = replace(control, names=tuple(rename[n] for n in control.names))
    back_setup, back_point = np.argsort(new_setup), np.argsort(new_point)
    shuffled_job = Job(
        tuple(book), tuple(points), sights, control, job.axis[back_setup],
        job.orientation[back_setup], job.position[back_point], job.wrong[rows],
    )
    return shuffled_job, new_setup, new_point


def spoil(job: Job, seed: int, share: float = 0.3, least: int = 5) -> Job:
    """Falsify a share of the sights of every setup that has ``least`` or more.

    Wrong names, swapped names, target heights off by 0.1-2 m, distances and directions off.
    """
    rng = np.random.default_rng(seed)
    s = job.sights
    value, point, height = s.value.copy(), s.point.copy(), s.target_height.copy()
    wrong = job.wrong.copy()
    for setup in range(len(job.setups)):
        rows = np.flatnonzero(s.setup == setup)
        count = int(np.floor(share * len(rows)))
        if len(rows) < least:
            continue
        bad = list(rng.permutation(rows)[:count])
        while bad:
            row = bad.pop()
            kind = rng.choice(["name", "swap", "height", "distance", "direction"])
            if kind == "swap" and bad:
                other = bad.pop()
                point[[row, other]] = point[[other, row]]
                wrong[[row, other]] = True
            elif kind == "height":
                height[row] += rng.choice([-1, 1]) * rng.uniform(0.1, 2.0)
                wrong[row, 1] = True
            elif kind == "distance":
                value[row, 2] += rng.choice([-1, 1]) * rng.uniform(0.15, 3.0)
                wrong[row, 2] = True
            elif kind == "direction":
                value[row, 0] = wrap_full(value[row, 0] + rng.uniform(0.02, 6.2))
                wrong[row, 0] = True
            else:
                place = job.position[point[row]] + rng.normal(size=3) * [20.0, 20.0, 1.0]
                axis, turn = job.axis[[setup]], job.orientation[[setup]]
                pole = np.array([[0.0, 0.0, height[row]]])
                value[row] = observe(axis, turn, place + pole, 5.0, 0.002, 0.001, rng)[0]
                wrong[row] = True
    return replace(
        job, sights=replace(s, value=value, point=point, target_height=height), wrong=wrong
    )
