"""Invented sites with their truth, as arrays of reduced sights.

The observation formulas are written out here, apart from those of the package.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from tieup.geometry import ARC_SECOND, wrap_full, wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.control import Control
from tieup.model.fieldbook import Setup
from tieup.model.network import Links, Network
from tieup.model.observations import Sights
from tieup.model.settings import Datum
from tieup.network.build import build_network

REFRACTION = 0.13
EARTH = 6_371_000.0  # m
SHIFT = np.array([5e6, 5e5, 0.0])  # m; the size of numbers of a national grid
FREE = Datum("free")


@dataclass(frozen=True)
class Gear:
    """Sds of one pointing (arc seconds, m) and of centring (m)."""

    seconds: float = 5.0
    metres: float = 0.002
    centring: float = 0.001


@dataclass(frozen=True)
class Job:
    """A job and its truth; ``wrong`` (k, 3) marks components falsified on purpose."""

    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    sights: Sights
    control: Control | None
    axis: FloatArray
    orientation: FloatArray
    position: FloatArray
    wrong: BoolArray


@dataclass(frozen=True)
class Misses:
    """How far a start is from the truth: m, m, rad; NaN where not reached."""

    axis: FloatArray
    position: FloatArray
    orientation: FloatArray


def observe(
    axis: FloatArray,
    orientation: FloatArray,
    target: FloatArray,
    gear: Gear,
    rng: np.random.Generator,
) -> FloatArray:
    """Return noisy direction, zenith angle (rad) and slope distance (m), shape (k, 3)."""
    d = target - axis + rng.normal(size=target.shape) * gear.centring
    plan = np.hypot(d[:, 0], d[:, 1])
    bend = (1.0 - REFRACTION) * plan / (2.0 * EARTH)
    value = np.column_stack(
        [
            np.arctan2(d[:, 1], d[:, 0]) - orientation,
            np.arctan2(plan, d[:, 2]) + bend,
            np.sqrt((d**2).sum(axis=1)),
        ]
    )
    sd = [gear.seconds * ARC_SECOND, gear.seconds * ARC_SECOND, gear.metres]
    value += rng.normal(size=value.shape) * sd
    value[:, 0] = wrap_full(value[:, 0])
    return value


def make_sights(
    setup: IntArray, point: IntArray, height: FloatArray, value: FloatArray, gear: Gear
) -> Sights:
    """Wrap observed values as sights of one pointing each."""
    k = len(setup)
    sd = np.tile([gear.seconds * ARC_SECOND, gear.seconds * ARC_SECOND, gear.metres], (k, 1))
    count = np.isfinite(value).astype(np.int64)
    return Sights(setup, point, height, value, count, sd, np.zeros((k, 3)))


def control_of(names: tuple[str, ...], coordinates: FloatArray) -> Control:
    """Return a control list that holds every known coordinate."""
    sd = np.where(np.isfinite(coordinates), 0.0, np.nan)
    lines = np.arange(len(names)) + 2
    return Control("control.csv", names, coordinates, sd, lines, ("",) * len(names))


def make_job(
    axis: FloatArray,
    position: FloatArray,
    sees: BoolArray,
    control: IntArray,
    rng: np.random.Generator,
    *,
    station: IntArray | None = None,
    gear: Gear | None = None,
) -> Job:
    """Observe every mark (P, 3) that ``sees`` (S, P) allows; ``control`` lists known marks."""
    gear = Gear() if gear is None else gear
    setups = len(sees)
    station = np.full(setups, -1) if station is None else station
    height = rng.uniform(1.4, 1.7, setups)
    over, axis = station >= 0, axis.copy()
    axis[over] = position[station[over]]
    axis[over, 2] += height[over]
    orientation = rng.uniform(0.0, 2.0 * np.pi, setups)
    setup, point = np.nonzero(sees)
    pole = rng.choice([1.3, 1.5, 2.0], size=len(setup))
    target = position[point] + np.column_stack([np.zeros((len(point), 2)), pole])
    value = observe(axis[setup], orientation[setup], target, gear, rng)
    points = tuple(f"P{number}" for number in range(len(position)))
    book = tuple(
        Setup(
            f"S{number}",
            f"S{number}",
            "a.csv",
            points[station[number]] if over[number] else "",
            float(height[number]) if over[number] else 0.0,
            "default",
        )
        for number in range(setups)
    )
    names = tuple(points[mark] for mark in control)
    known = control_of(names, position[control]) if len(control) else None
    sights = make_sights(setup, point, pole, value, gear)
    return Job(book, points, sights, known, axis, orientation, position, value != value)


def random_job(
    seed: int,
    *,
    setups: int | None = None,
    marks: int | None = None,
    control: int | None = None,
    share: float = 0.75,
    size: float | None = None,
    occupied: bool = False,
    gear: Gear | None = None,
) -> Job:
    """Draw a site: by default 2-8 setups and 5-12 marks, each setup with five ties or more."""
    rng = np.random.default_rng(seed)
    setups = int(rng.integers(2, 9)) if setups is None else setups
    marks = int(rng.integers(5, 13)) if marks is None else marks
    size = float(rng.choice([30.0, 80.0, 300.0])) if size is None else size
    known = int(rng.integers(3, min(marks, 6) + 1)) if control is None else control
    plan = rng.uniform(-size, size, (marks, 2))
    position = np.column_stack([plan, rng.uniform(-3.0, 3.0, marks)]) + SHIFT
    plan = rng.uniform(-size, size, (setups, 2))
    axis = np.column_stack([plan, rng.uniform(0.0, 4.0, setups)]) + SHIFT
    sees = rng.random((setups, marks)) < share
    for row in sees:
        more = rng.permutation(np.flatnonzero(~row))
        row[more[: max(0, min(5, marks) - int(row.sum()))]] = True
    station = np.full(setups, -1)
    if occupied:
        chosen = rng.permutation(marks)[: min(setups, marks) // 2]
        station[: len(chosen)] = chosen
        sees[np.arange(len(chosen)), chosen] = False
    return make_job(
        axis, position, sees, rng.permutation(marks)[:known], rng, station=station, gear=gear
    )


def traverse(
    legs: int, seed: int, *, closed: bool = True, gear: Gear | None = None, leg: float = 100.0
) -> Job:
    """Return a loop traverse on occupied marks, control on the first two.

    Each setup sights the mark behind and the mark ahead; unless ``closed``, only the last
    setup looks back to the first mark.
    """
    rng = np.random.default_rng(seed)
    around = np.arange(legs) * 2.0 * np.pi / legs
    radius = leg * legs / (2.0 * np.pi)
    position = np.column_stack(
        [radius * np.cos(around), radius * np.sin(around), rng.uniform(-2.0, 2.0, legs)]
    )
    sees = np.zeros((legs, legs), dtype=bool)
    here = np.arange(legs)
    sees[here, (here + 1) % legs] = True
    sees[here[0 if closed else 1 :], here[0 if closed else 1 :] - 1] = True
    position = position + SHIFT
    return make_job(position, position, sees, here[:2], rng, station=here, gear=gear)


def change(job: Job, edit: Callable[[Sights, FloatArray, IntArray, FloatArray], None]) -> Job:
    """Return the job with copies of values, points and target heights edited in place."""
    s = job.sights
    value, point, height = s.value.copy(), s.point.copy(), s.target_height.copy()
    edit(s, value, point, height)
    return replace(job, sights=replace(s, value=value, point=point, target_height=height))


def blank(job: Job, rows: BoolArray | slice, kind: int) -> Job:
    """Return the job with one component of some sights not observed."""
    value = job.sights.value.copy()
    value[rows, kind] = np.nan
    return replace(job, sights=replace(job.sights, value=value))


def only(job: Job, rows: BoolArray) -> Job:
    """Return the job with some of its sights."""
    s = job.sights
    kept = Sights(*[getattr(s, field.name)[rows] for field in fields(s)])
    return replace(job, sights=kept, wrong=job.wrong[rows])


def with_control(
    job: Job, rows: list[int], edit: Callable[[FloatArray], None] = lambda known: None
) -> Job:
    """Return the job with some of its control, the coordinates edited in place."""
    assert job.control is not None
    known = job.control.coordinates[rows].copy()
    edit(known)
    names = tuple(job.control.names[row] for row in rows)
    return replace(job, control=control_of(names, known))


def shuffled(job: Job, seed: int) -> tuple[Job, IntArray, IntArray]:
    """Return the job with rows, setups and points reordered and all names new.

    Also the new number of each setup and of each point.
    """
    rng = np.random.default_rng(seed)
    new_setup, new_point = rng.permutation(len(job.setups)), rng.permutation(len(job.points))
    rename = {name: f"N{rng.integers(10**12)}" for name in job.points} | {"": ""}
    back_setup, back_point = np.argsort(new_setup), np.argsort(new_point)
    rows = rng.permutation(len(job.sights))
    s = only(job, rows).sights
    sights = replace(s, setup=new_setup[s.setup], point=new_point[s.point])
    control = job.control
    if control is not None:
        control = replace(control, names=tuple(rename[name] for name in control.names))
    renamed = [replace(setup, station=rename[setup.station]) for setup in job.setups]
    result = Job(
        tuple(renamed[old] for old in back_setup),
        tuple(rename[job.points[old]] for old in back_point),
        sights,
        control,
        job.axis[back_setup],
        job.orientation[back_setup],
        job.position[back_point],
        job.wrong[rows],
    )
    return result, new_setup, new_point


def spoil(job: Job, seed: int, share: float = 0.3) -> Job:
    """Falsify a share (rounded down) of the sights of every setup with five or more.

    Wrong names tens of metres off, swapped names, target heights off by 0.1-2 m,
    distances off by 0.15-3 m, directions off by more than a degree.
    """
    rng = np.random.default_rng(seed)
    s = job.sights
    value, point, height = s.value.copy(), s.point.copy(), s.target_height.copy()
    wrong = job.wrong.copy()
    for setup in range(len(job.setups)):
        rows = np.flatnonzero(s.setup == setup)
        bad = list(rng.permutation(rows)[: int(share * len(rows))]) if len(rows) > 4 else []
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
                value[row] = _another(job, setup, point[row], height[row], rng)
                wrong[row] = True
    sights = replace(s, value=value, point=point, target_height=height)
    return replace(job, sights=sights, wrong=wrong)


def _another(job: Job, setup: int, point: int, pole: float, rng: np.random.Generator) -> FloatArray:
    place = job.position[[point]] + rng.normal(size=(1, 3)) * [20.0, 20.0, 1.0] + [0.0, 0.0, pole]
    return observe(job.axis[[setup]], job.orientation[[setup]], place, Gear(), rng)[0]


def city(side: int, *, shots: int, seed: int = 0) -> Job:
    """Return side x side setups, four marks a setup seen from four each, and side shots."""
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(seed)
    setups, marks = side * side, 4 * side * side
    grid = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(-1, 2) * 60.0
    plan = grid + rng.normal(size=(setups, 2)) * 8.0
    axis = np.column_stack([plan, rng.uniform(0.0, 5.0, setups)])
    plan = rng.uniform(-20.0, side * 60.0 - 20.0, (marks, 2))
    shared = np.column_stack([plan, rng.uniform(-3.0, 3.0, marks)])
    _, nearest = cKDTree(axis[:, :2]).query(shared[:, :2], k=4)
    from_setup = np.repeat(np.arange(setups), shots)
    polar = np.column_stack(
        [rng.normal(size=(len(from_setup), 2)) * 25.0, rng.uniform(-5.0, 0.0, len(from_setup))]
    )
    position = np.concatenate([shared, axis[from_setup] + polar]) + SHIFT
    axis = axis + SHIFT
    setup = np.concatenate([nearest.ravel(), from_setup])
    point = np.concatenate([np.repeat(np.arange(marks), 4), marks + np.arange(len(from_setup))])
    orientation = rng.uniform(0.0, 2.0 * np.pi, setups)
    target = position[point] + [0.0, 0.0, 1.5]
    value = observe(axis[setup], orientation[setup], target, Gear(), rng)
    points = tuple(f"P{number}" for number in range(len(position)))
    book = tuple(Setup(f"S{n}", f"S{n}", "a.csv", "", 0.0, "default") for n in range(setups))
    control = rng.permutation(marks)[: max(4, setups // 50)]
    known = control_of(tuple(points[mark] for mark in control), position[control])
    sights = make_sights(setup, point, np.full(len(setup), 1.5), value, Gear())
    return Job(book, points, sights, known, axis, orientation, position, value != value)


def start(job: Job, datum: Datum | None = None, links: Links | None = None) -> Network:
    """Build the network of a job."""
    datum = Datum() if datum is None else datum
    return build_network(job.setups, job.points, job.sights, job.control, links, datum, REFRACTION)


def misses(job: Job, network: Network) -> Misses:
    """Compare a start in control's frame with the truth."""
    found, points = network.start, len(job.points)
    return Misses(
        np.abs(found.axis + network.origin - job.axis),
        np.abs(found.position[:points] + network.origin - job.position),
        np.abs(wrap_half(found.orientation - job.orientation)),
    )
