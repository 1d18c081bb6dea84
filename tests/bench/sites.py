"""Invented sites of four sizes, as networks and as job folders.

Setups stand on a jittered grid; every shared mark is seen from the three or four setups
nearest to it, so neighbours share marks; the rest are side shots seen once. Every sighting
has a direction, a zenith angle and a distance. Start values are a few centimetres off.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from tieup.geometry import ARC_SECOND, curvature_coefficient
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.network import Links, Network, Start
from tieup.model.observations import Sights
from tieup.model.settings import Instrument, Precision

REFRACTION = 0.13
INSTRUMENT = Instrument()
PRECISION = Precision()
SPACING = 50.0  # m between neighbouring setups
SHORTEST = 4.0  # m from an instrument to what it sights
START_ERROR = 0.03  # m
START_TURN = 3e-4  # rad
MARKS_PER_CONTROL = 50


@dataclass(frozen=True)
class Size:
    """How large a site is."""

    setups: int
    marks: int
    side_shots: int


SIZES = {
    "day": Size(5, 12, 500),
    "campaign": Size(100, 400, 20_000),
    "city": Size(2_000, 8_000, 200_000),
    "metro": Size(20_000, 80_000, 2_000_000),
}


def make_site(size: Size, seed: int = 1) -> Network:
    """Draw one site: points are the shared marks, then the side shots."""
    rng = np.random.default_rng(seed)
    axis = _setups(rng, size.setups)
    marks = _marks(rng, size, axis)
    side_setup = np.sort(rng.integers(size.setups, size=size.side_shots))
    side = _side_shots(rng, axis[side_setup])
    setup, point = _sighted(rng, axis, marks, side_setup)
    position = np.concatenate([marks, side])
    orientation = rng.uniform(0.0, 2.0 * np.pi, size.setups)
    sights = _observe(rng, setup, point, axis, orientation, position)
    control = _control(rng, marks, len(position))
    return site_of(sights, control, _start(rng, axis, orientation, position, control, len(sights)))


def site_of(sights: Sights, control: FloatArray, start: Start) -> Network:
    """Return the network of free stations S0, S1, ... and points P0, P1, ..."""
    setups, points = len(start.axis), len(start.position)
    return Network(
        setup_labels=tuple(f"S{number}" for number in range(setups)),
        point_names=tuple(f"P{number}" for number in range(points)),
        station=np.full(setups, -1),
        instrument_height=np.full(setups, np.nan),
        sights=sights,
        control=control,
        control_sd=np.where(np.isfinite(control), 0.0, np.nan),
        links=no_links(),
        origin=np.zeros(3),
        start=start,
    )


def no_links() -> Links:
    """Return no observations between marks."""
    none = np.zeros(0, dtype=np.int64)
    return Links(np.zeros(0, dtype=object), none, none, np.zeros(0), np.zeros(0))


def _ground(plan: FloatArray) -> FloatArray:
    """Return the height (m) of a gently rolling site."""
    return 100.0 + 2.0 * np.sin(plan[:, 0] / 90.0) + 1.5 * np.cos(plan[:, 1] / 70.0)


def _setups(rng: np.random.Generator, count: int) -> FloatArray:
    columns = int(np.ceil(np.sqrt(count)))
    grid = np.column_stack(np.divmod(np.arange(count), columns)) * SPACING
    plan = grid + rng.uniform(-0.2, 0.2, (count, 2)) * SPACING
    return np.column_stack([plan, _ground(plan) + 1.6])


def _marks(rng: np.random.Generator, size: Size, axis: FloatArray) -> FloatArray:
    """Return marks on a jittered grid, none of them right under an instrument."""
    columns = int(np.ceil(np.sqrt(size.marks)))
    step = SPACING * np.sqrt(size.setups) / columns
    grid = np.column_stack(np.divmod(np.arange(size.marks), columns)) * step
    plan = grid + rng.uniform(-0.3, 0.3, (size.marks, 2)) * step
    nearest = axis[cKDTree(axis[:, :2]).query(plan)[1], :2]
    away = plan - nearest
    distance = np.hypot(*away.T)
    plan = nearest + away * np.maximum(1.0, SHORTEST / distance)[:, None]
    return np.column_stack([plan, _ground(plan) + rng.uniform(0.0, 1.0, size.marks)])


def _side_shots(rng: np.random.Generator, axis: FloatArray) -> FloatArray:
    """Return a point around each of the given axes (n, 3)."""
    away = rng.uniform(SHORTEST, 0.7 * SPACING, len(axis))
    azimuth = rng.uniform(0.0, 2.0 * np.pi, len(axis))
    below = rng.normal(-1.6, 0.5, len(axis))
    return axis + np.column_stack([away * np.cos(azimuth), away * np.sin(azimuth), below])


def _sighted(
    rng: np.random.Generator, axis: FloatArray, marks: FloatArray, side_setup: IntArray
) -> tuple[IntArray, IntArray]:
    """Return setup and point of every sighting, setup by setup."""
    _, nearest = cKDTree(axis[:, :2]).query(marks[:, :2], k=4)
    seen = np.arange(4) < rng.integers(3, 5, len(marks))[:, None]
    mark, column = np.nonzero(seen)
    setup = np.concatenate([nearest[mark, column], side_setup])
    point = np.concatenate([mark, len(marks) + np.arange(len(side_setup))])
    order = np.lexsort((point, setup))
    return setup[order], point[order]


def _observe(
    rng: np.random.Generator,
    setup: IntArray,
    point: IntArray,
    axis: FloatArray,
    orientation: FloatArray,
    position: FloatArray,
) -> Sights:
    """Observe every sighting with pointing and target errors of the stated size."""
    rise = rng.choice([1.3, 1.5, 2.0], len(setup))
    target = rng.normal(size=(len(setup), 3)) * [
        PRECISION.centring_target,
        PRECISION.centring_target,
        PRECISION.height_target,
    ]
    north, east, up = (position[point] - axis[setup] + target).T
    up = up + rise
    plan = np.hypot(north, east)
    value = np.column_stack(
        [
            np.arctan2(east, north) - orientation[setup],
            np.arctan2(plan, up) + curvature_coefficient(REFRACTION) * plan,
            np.hypot(plan, up),
        ]
    )
    sd = np.empty_like(value)
    sd[:, 0], sd[:, 1] = INSTRUMENT.direction, INSTRUMENT.zenith
    sd[:, 2] = INSTRUMENT.distance_constant + INSTRUMENT.distance_ppm * 1e-6 * value[:, 2]
    value += sd * rng.normal(size=value.shape)
    value[:, 0] = np.mod(value[:, 0], 2.0 * np.pi)
    once = np.ones(value.shape, dtype=np.int64)
    return Sights(setup, point, rise, value, once, sd, np.zeros_like(value))


def _control(rng: np.random.Generator, marks: FloatArray, points: int) -> FloatArray:
    """Give some marks held coordinates."""
    given = np.full((points, 3), np.nan)
    count = max(3, len(marks) // MARKS_PER_CONTROL)
    known = rng.choice(len(marks), count, replace=False)
    given[known] = marks[known]
    return given


def _start(
    rng: np.random.Generator,
    axis: FloatArray,
    orientation: FloatArray,
    position: FloatArray,
    control: FloatArray,
    sights: int,
) -> Start:
    near = position + rng.normal(scale=START_ERROR, size=position.shape)
    return start_at(
        axis + rng.normal(scale=START_ERROR, size=axis.shape),
        orientation + rng.normal(scale=START_TURN, size=len(axis)),
        np.where(np.isfinite(control), control, near),
        sights,
    )


def start_at(axis: FloatArray, orientation: FloatArray, position: FloatArray, sights: int) -> Start:
    """Return start values that reach everything, with nothing gross."""
    return Start(
        axis=axis,
        orientation=orientation,
        position=position,
        plan_setup=_all(len(axis)),
        height_setup=_all(len(axis)),
        plan_point=_all(len(position)),
        height_point=_all(len(position)),
        component=np.zeros(len(axis), dtype=np.int64),
        gross=np.zeros((sights, 3), dtype=bool),
    )


def _all(count: int) -> BoolArray:
    return np.ones(count, dtype=bool)


JOB = """\
title: Invented site
units: {angle: deg, length: m}
raw: [raw/*.csv]
control: control.csv
"""
HEADER = (
    "setup,station,instrument_height,point,direction,zenith,distance,target_height,face,round,code"
)


def write_job(network: Network, folder: Path) -> Path:
    """Write the site as a job folder and return the raw file: one row per sighting."""
    (folder / "raw").mkdir(parents=True)
    (folder / "job.yaml").write_text(JOB, encoding="utf-8")
    known = np.flatnonzero(np.isfinite(network.control[:, 0]))
    control = ["point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation"]
    control += [
        "{},{:.5f},{:.5f},{:.5f},0,0,0".format(network.point_names[p], *network.control[p])
        for p in known
    ]
    (folder / "control.csv").write_text("\n".join(control) + "\n", encoding="utf-8")
    sights = network.sights
    degrees = sights.value * [1 / (3600 * ARC_SECOND), 1 / (3600 * ARC_SECOND), 1.0]
    rows = (
        f"{network.setup_labels[s]},,,{network.point_names[p]},"
        f"{value[0]:.6f},{value[1]:.6f},{value[2]:.4f},{rise:.3f},1,1,GND"
        for s, p, value, rise in zip(
            sights.setup, sights.point, degrees, sights.target_height, strict=True
        )
    )
    raw = folder / "raw" / "site.csv"
    raw.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return raw


MISTAKES = ("target-height", "distance", "direction", "prism-constant", "swapped-names")


def write_spoiled(job: Path, folder: Path, seed: int = 11) -> Path:
    """Copy a job of `write_job` and put one mistake of each kind of `MISTAKES` into it."""
    shutil.copytree(job, folder, ignore=shutil.ignore_patterns("out"))
    raw = folder / "raw" / "site.csv"
    head, *lines = raw.read_text(encoding="utf-8").splitlines()
    rows = [dict(zip(head.split(","), line.split(","), strict=True)) for line in lines]
    sights: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        sights.setdefault(row["point"], []).append(row)
    shared = [point for point, own in sights.items() if len(own) > 2]
    drawn = np.random.default_rng(seed).choice(len(shared), len(MISTAKES), replace=False)
    pole, far, turned, constant, named = (sights[shared[number]][0] for number in drawn)
    _add(pole, "target_height", 0.100)  # m
    _add(far, "distance", 0.050)  # m
    _add(turned, "direction", 0.100)  # degrees
    for row in rows:
        if row["setup"] == constant["setup"]:
            _add(row, "distance", 0.030)  # m
    other = next(
        row
        for row in rows
        if row["setup"] == named["setup"]
        and row["point"] != named["point"]
        and len(sights[row["point"]]) > 2
    )
    named["point"], other["point"] = other["point"], named["point"]
    text = "\n".join([head, *(",".join(row.values()) for row in rows)])
    raw.write_text(text + "\n", encoding="utf-8")
    return folder


def _add(row: dict[str, str], column: str, amount: float) -> None:
    decimals = len(row[column].partition(".")[2])
    row[column] = f"{float(row[column]) + amount:.{decimals}f}"
