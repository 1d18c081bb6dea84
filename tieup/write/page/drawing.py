"""The plan of the site: what is drawn, and the numbers that a tap on a point shows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from tieup.lengths import Lengths
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.reconciliation import Reconciliation
from tieup.units import length_word
from tieup.write.columns import COORDINATES
from tieup.write.page.disputed_view import StoryPlace, disputed_data, disputed_places
from tieup.write.page.drawing_labels import GAP, SPOTS, Label
from tieup.write.page.drawing_layout import DrawingLayout
from tieup.write.page.drawing_lines import Lines, lines_of
from tieup.write.page.drawing_points import RANK, DrawingPoints, drawn_roles, places_of
from tieup.write.page.naming import labels_of
from tieup.write.page.page_table import cells, left_out, length, texts
from tieup.write.page.symbols import (
    MOST_MARKS,
    Oval,
    Shift,
    Symbol,
    height_shifts,
    joint_symbols,
    mark_symbols,
    ovals,
    plan_shifts,
    setup_symbols,
)
from tieup.write.page.wording import stand_words, verdict_of

FIGURES = ("northing", "easting", "elevation", "elevation_interval")
SIZES = ("ellipse_major", "ellipse_minor", "ellipse_azimuth")
WORDS = ("role", "proof", "setups", "code", "string", "flags")


@dataclass(frozen=True)
class DrawingLayer:
    """A part of the plan that can be switched; ``on`` says whether it shows at first."""

    id: str
    says: str
    on: bool = True


LAYERS = (
    DrawingLayer("setups", "Setups"),
    DrawingLayer(
        "marks", "Control (square), ties (ring), derived (cross); no core: nothing checks it"
    ),
    DrawingLayer("names", "Names"),
    DrawingLayer("shots", "Shots; hollow: nothing checks it"),
    DrawingLayer("strings", "Strings, in order across the setups"),
    DrawingLayer("sights", "Sights of marks; dashed: left out or stands out"),
    DrawingLayer("shot-sights", "Sights of shots", on=False),
    DrawingLayer("shifts", "Plan: where one setup alone puts the mark; filled head: does not tie"),
    DrawingLayer("rises", "Height: bar up for high, down for low; filled head: does not tie"),
    DrawingLayer("ellipses", "Error ellipses of the marks"),
    DrawingLayer("joints", "Where strings pass to another setup, with the height step"),
    DrawingLayer("disputed", "Points in two places: each with its region; bars are heights"),
)


@dataclass(frozen=True)
class Drawing:
    """Everything on the plan; ``data`` is what the script of the page reads."""

    frame: DrawingLayout
    unit: str
    lines: Lines
    checked: str
    unchecked: str
    marks: tuple[Symbol, ...]
    setups: tuple[Symbol, ...]
    joints: tuple[Symbol, ...]
    ovals: tuple[Oval, ...]
    shifts: tuple[Shift, ...]
    rises: tuple[Shift, ...]
    stories: tuple[StoryPlace, ...]
    labels: tuple[Label, ...]
    layers: tuple[DrawingLayer, ...]
    cut: bool
    note: str
    confidence: float
    data: dict[str, Any]


def plan_view(site: Reconciliation, starts: IntArray) -> Drawing | None:
    """Return the plan; None where no point has a place.

    ``starts`` says where each raw row begins in the observations.
    """
    places = places_of(site)
    if places is None:
        return None
    shifts, rises = tuple(plan_shifts(site, places)), tuple(height_shifts(site, places))
    stories = tuple(disputed_places(site, places))
    marks = tuple(mark_symbols(site, places))[:MOST_MARKS]
    setups, joints = tuple(setup_symbols(site, places)), tuple(joint_symbols(site, places))
    lacking = {"joints"} if not length(site.joints) else set()
    lacking |= {"disputed"} if not stories else set()
    return Drawing(
        frame=places.frame,
        unit=length_word(site.job.length_unit),
        lines=lines_of(site, starts, places),
        checked=_dots(site, places, unchecked=False),
        unchecked=_dots(site, places, unchecked=True),
        marks=marks,
        setups=setups,
        joints=joints,
        ovals=tuple(ovals(site, places)),
        shifts=shifts,
        rises=rises,
        stories=stories,
        labels=labels_of(site, places, marks, setups, joints, shifts, stories),
        layers=tuple(layer for layer in LAYERS if layer.id not in lacking),
        cut=any(shift.cut for shift in (*shifts, *rises)) or any(s.cut for s in stories),
        note=left_out(
            len(places.rows), places.total, "points", "coordinates.csv", "control, setups and ties"
        ),
        confidence=site.job.confidence * 100.0,
        data=_data(site, places),
    )


def _dots(site: Reconciliation, places: DrawingPoints, *, unchecked: bool) -> str:
    """Return the shot points as one path, those that nothing checks or the others."""
    proofs = texts(site.coordinates, "proof", places.rows)
    roles = drawn_roles(site.coordinates, places.rows)
    return "".join(
        f"M{places.at(number)}h.01"
        for number, (role, proof) in enumerate(zip(roles, proofs, strict=True))
        if role not in RANK and (proof == "unchecked") is unchecked
    )


def _data(site: Reconciliation, places: DrawingPoints) -> dict[str, Any]:
    """Return the numbers behind the plan, column by column, with the digits of the CSV files."""
    table, unit = site.coordinates, site.job.angle_unit
    lengths, frame = Lengths(site.job.length_unit), places.frame

    def column(name: str) -> list[str]:
        return cells(table, name, COORDINATES, unit, places.rows)

    return {
        "frame": {
            "north": frame.north,
            "west": frame.west,
            "scale": frame.scale,
            "height": frame.height,
        },
        "unit": length_word(site.job.length_unit),
        "small": lengths.small,
        "angle": unit,
        "confidence": f"{site.job.confidence * 100:g}",
        "name": column("point"),
        "figures": {name: ",".join(column(name)) for name in (*FIGURES, *SIZES)},
        "words": {name: _coded(column(name)) for name in WORDS},
        "setups": _setup_data(site, places),
        "ties": _tie_data(site, places),
        "disputed": disputed_data(site, places),
        "spots": SPOTS,
        "gap": GAP,
    }


def _coded(words: list[str]) -> dict[str, Any]:
    """Return words as a list of the different ones and the number of each in it."""
    order = {word: number for number, word in enumerate(dict.fromkeys(words))}
    return {"list": list(order), "of": ",".join(str(order[word]) for word in words)}


def _setup_data(site: Reconciliation, places: DrawingPoints) -> list[list[Any]]:
    """Return the setups that have a place: name, x, y, where it stands, verdict."""
    verdicts, stations = texts(site.setups, "verdict"), texts(site.setups, "station")
    xy = np.column_stack([places.setup_x, places.setup_y]).round(2).tolist()
    return [
        [name, *xy[row], stand_words(stations[row]), verdict_of(verdicts[row]).word]
        for name, row in places.setups.items()
        if math.isfinite(xy[row][0])
    ]


def _tie_data(site: Reconciliation, places: DrawingPoints) -> list[list[Any]]:
    """Return the ties of points that are shown: point, setup, plan, height, verdict."""
    ties, lengths = site.ties, Lengths(site.job.length_unit)
    setups, verdicts = texts(ties, "setup"), texts(ties, "verdict")
    numbers = [
        places.point(name, setup) for name, setup in zip(texts(ties, "point"), setups, strict=True)
    ]
    rows = np.array([row for row, number in enumerate(numbers) if number >= 0], dtype=np.int64)
    figures: dict[str, list[str]] = {}
    for name in ("d_horizontal", "d_elevation"):
        values: FloatArray = np.asarray(ties[name], dtype=np.float64)[rows]
        figures[name] = lengths.figures(values.tolist())
    return [
        [numbers[row], setups[row], plan, height, verdict_of(verdicts[row]).word]
        for row, plan, height in zip(rows.tolist(), *figures.values(), strict=True)
    ]
