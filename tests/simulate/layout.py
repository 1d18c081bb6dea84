"""A site as flat arrays: everything of a simulated job that is the same in every draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.fieldbook import RawFile, Setup, Shots

if TYPE_CHECKING:
    from tests.simulate.site import Aim, Site


@dataclass(frozen=True)
class Layout:
    """S setups, P marks, m rows, k sights (setup x mark x booked target height).

    ``blank`` has every column but the three observations. ``mark`` (m,) is the mark aimed
    at, ``sight`` (m,) the sight of each row; ``sight_mark`` and ``sight_height`` are (k,).
    ``orientation`` (m,) is the azimuth of the circle's zero during each row. ``axis`` (S, 3)
    is without centring and height errors; ``occupied`` (S,) says which setups have those.
    """

    files: tuple[RawFile, ...]
    setups: tuple[Setup, ...]
    points: tuple[str, ...]
    blank: Shots
    mark: IntArray
    sight: IntArray
    sight_mark: IntArray
    sight_height: FloatArray
    orientation: FloatArray
    observed: BoolArray
    position: FloatArray
    axis: FloatArray
    occupied: BoolArray
    circle_zero: FloatArray
    collimation: FloatArray
    index: FloatArray
    control: IntArray
    control_sd: FloatArray


def text(values: Any) -> TextArray:
    """Return an object array of str, shape (m,)."""
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


def line_numbers(file: IntArray) -> IntArray:
    """Return the line of each row in its file, header on line 1, rows of a file together."""
    starts = np.flatnonzero(np.r_[True, file[1:] != file[:-1]]) if len(file) else file
    lengths = np.diff(np.r_[starts, len(file)])
    return np.arange(len(file)) - np.repeat(starts, lengths) + 2


def _shots(site: Site, aims: list[Aim], setup: IntArray, point: IntArray) -> Shots:
    plans = site.setups
    names = [plan.file or f"raw/{plan.label.lower()}.csv" for plan in plans]
    numbers = {name: i for i, name in enumerate(dict.fromkeys(names))}
    file = np.array([numbers[names[s]] for s in setup], dtype=np.int64)
    unknown = np.full(len(aims), np.nan)
    return Shots(
        file=file,
        line=line_numbers(file),
        setup=setup,
        point=point,
        direction=unknown,
        zenith=unknown,
        distance=unknown,
        target_height=np.array([aim.target_height for aim in aims]),
        face=np.array([aim.face for aim in aims], dtype=np.int64),
        round=np.array([aim.round for aim in aims], dtype=np.int64),
        prism_constant=np.array([aim.prism_constant for aim in aims]),
        temperature=unknown,
        pressure=unknown,
        time=np.concatenate([p.start + p.pace * np.arange(len(p.aims)) for p in plans]),
        role=text([aim.role for aim in aims]),
        target=text([aim.target for aim in aims]),
        code=text([aim.code for aim in aims]),
        string=text([aim.string for aim in aims]),
        note=text([""] * len(aims)),
        field_coordinates=np.full((len(aims), 3), np.nan),
        repeated=np.zeros(len(aims), dtype=bool),
    )


def _setups(site: Site) -> tuple[Setup, ...]:
    return tuple(
        Setup(
            label=plan.label,
            name=plan.label,
            file=plan.file or f"raw/{plan.label.lower()}.csv",
            station=plan.station,
            instrument_height=plan.instrument_height if plan.station else 0.0,
            instrument=plan.instrument,
        )
        for plan in site.setups
    )


def _axes(site: Site, number: dict[str, int], position: FloatArray) -> FloatArray:
    return np.array(
        [
            position[number[p.station]] + [0.0, 0.0, p.instrument_height] if p.station else p.axis
            for p in site.setups
        ]
    )


def compile_layout(site: Site) -> Layout:
    """Turn a site into arrays; setups of one file must follow one another."""
    number = {mark.name: i for i, mark in enumerate(site.marks)}
    aims = [aim for plan in site.setups for aim in plan.aims]
    setup = np.repeat(np.arange(len(site.setups)), [len(p.aims) for p in site.setups])
    points = tuple(dict.fromkeys(aim.point for aim in aims))
    numbered = {name: i for i, name in enumerate(points)}
    blank = _shots(site, aims, setup, np.array([numbered[a.point] for a in aims], dtype=np.int64))
    mark = np.array([number[aim.point] for aim in aims], dtype=np.int64)
    keys = np.column_stack([setup, mark, np.round(blank.target_height * 1e6)])
    _, first, sight = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    position = np.array([(m.northing, m.easting, m.elevation) for m in site.marks])
    zero = np.array([plan.orientation for plan in site.setups])
    turn = np.array([plan.circle_turn for plan in site.setups])
    faults = [site.faults.get(plan.instrument) for plan in site.setups]
    control = [i for i, m in enumerate(site.marks) if m.control_sd is not None]
    files = dict.fromkeys(s.file for s in _setups(site))
    rows = np.bincount(blank.file, minlength=len(files))
    return Layout(
        files=tuple(RawFile(name, "", int(n)) for name, n in zip(files, rows, strict=True)),
        setups=_setups(site),
        points=points,
        blank=blank,
        mark=mark,
        sight=sight.reshape(-1),
        sight_mark=mark[first],
        sight_height=blank.target_height[first],
        orientation=zero[setup] + turn[setup] * (blank.round - 1),
        observed=np.array([aim.observed for aim in aims], dtype=bool).reshape(-1, 3),
        position=position,
        axis=_axes(site, number, position),
        occupied=np.array([bool(plan.station) for plan in site.setups]),
        circle_zero=zero,
        collimation=np.array([f.collimation if f else 0.0 for f in faults]),
        index=np.array([f.index if f else 0.0 for f in faults]),
        control=np.array(control, dtype=np.int64),
        control_sd=np.array([site.marks[i].control_sd for i in control]).reshape(-1, 3),
    )
