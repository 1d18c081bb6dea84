"""Turn columns of texts into columns of SI values, and say which cells cannot be.

Takes whole columns, gives arrays and, by row, the reasons in words. A bad cell never
stops the others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.model.arrays import BoolArray, FloatArray
from tieup.read.angles import read_angles
from tieup.read.level_distances import merge_level_distances
from tieup.read.raw_columns import COLUMNS, OBSERVED, Cells
from tieup.read.value_words import faces_entry
from tieup.units import Parsed, length_factor, parse_numbers

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NAIVE_EPOCH = datetime(1970, 1, 1)  # what a time without offset is counted from
_LONGEST = 40  # characters of a cell that a message quotes

# What the atmosphere of a survey can be: tells °C and hPa from other units.
FARTHEST = 1e6  # length units; no sight of a site is as long, no round as high
NEAREST = 1e-3  # length units; nearer than any target stands to the axes of an instrument
SMALLEST_SD = 1e-6  # m; nothing is known better, and no weight bears more
LARGEST = 1e9  # length units; no coordinate or height on the earth is larger
_RANGES = {"temperature": (-60.0, 60.0, "°C"), "pressure": (500.0, 1100.0, "hPa")}
_DEFAULTS = {"target_height": 0.0, "round": 1.0}


@dataclass(frozen=True)
class Converted:
    """Columns in SI: object arrays of text, float arrays with NaN for "not observed".

    ``values`` has every native column but elevation_angle, which has gone into zenith, and
    horizontal and vertical distance, which have gone into slope distance and zenith or, alone,
    into ``distance`` marked ``level``; azimuths have gone into ``direction`` marked ``azimuth``.
    Texts are as written, the role in small letters.
    ``reasons`` lists, by row, what is wrong with it. ``observed`` (r, 3) says which rows
    have a cell, readable or not, for direction, zenith and distance. ``undated`` counts the
    time cells that are no time: such a row keeps its place and loses only its clock.
    """

    values: Mapping[str, NDArray[Any]]
    reasons: dict[int, list[str]]
    observed: BoolArray
    undated: int


def convert(columns: Mapping[str, Cells], rows: int, decimal: str) -> Converted:
    """Turn the columns of a raw table (r rows) into SI values.

    Parameters
    ----------
    columns
        By native name; a missing one takes its default.
    decimal
        The decimal sign of numbers, ``.`` or ``,``.
    """
    values: dict[str, NDArray[Any]] = {}
    reasons: dict[int, list[str]] = {}
    undated = 0
    face_two = np.zeros(rows, dtype=bool)
    # The face first: it decides what an elevation angle may be.
    for name in sorted(COLUMNS, key=lambda column: column != "face"):
        if name not in columns:
            values[name] = _absent(name, rows)
            continue
        cells = columns[name]
        values[name], bad = _column(name, cells, decimal, face_two)
        if COLUMNS[name] == "time":
            undated, bad = len(bad), {}
        if name == "face":
            face_two = values["face"] == 2.0
        for row, why in bad.items():
            reasons.setdefault(row, []).append(f"{name} {_quote(cells.texts[row])}{why}")
    _merge_zenith(values, columns, reasons)
    # A circle that reads more than half a turn from the zenith can only be in face 2.
    by_zenith = np.where(values["zenith"] > np.pi, 2.0, 1.0)
    values["face"] = np.where(np.isnan(values["face"]), by_zenith, values["face"])
    merge_level_distances(values)
    _merge_azimuth(values, reasons)
    for name, default in _DEFAULTS.items():
        values[name] = np.where(np.isnan(values[name]), default, values[name])
    return Converted(values, reasons, _observed(columns, rows), undated)


def _absent(name: str, rows: int) -> NDArray[Any]:
    if COLUMNS[name] in ("name", "text", "word"):
        return np.full(rows, "", dtype=object)
    return np.full(rows, np.nan)


def _quote(text: str) -> str:
    """Quote a cell as written; an empty one has nothing to quote."""
    if not text:
        return ""
    shown = text if len(text) <= _LONGEST else text[:_LONGEST] + "..."
    return shown + " " if shown[0] in "+-.0123456789" and shown.isascii() else f'"{shown}" '


def _column(
    name: str, cells: Cells, decimal: str, face_two: BoolArray
) -> tuple[NDArray[Any], dict[int, str]]:
    quantity = COLUMNS[name]
    if quantity in ("name", "text", "word"):
        return _texts(cells.texts, quantity)
    if quantity == "time":
        return _times(cells.texts, cells.unit)
    texts, wrong_sign = decimal_points(cells.texts, decimal)
    if quantity == "angle":
        values, bad = read_angles(name, texts, cells.unit, face_two, cells.turning)
    else:
        values, bad = parse_numbers(texts)
        values = _judged(quantity, values, cells.unit, bad)
        if quantity == "face" and (words := _words_of(texts, bad)):
            told = f"is not 1 or 2. Say in job.yaml which it is: {faces_entry(words.values())}"
            bad |= dict.fromkeys(words, told)
    values[list(wrong_sign)] = np.nan
    return values, {**bad, **wrong_sign}


def _words_of(texts: Sequence[str], bad: Mapping[int, str]) -> dict[int, str]:
    """Return the bad cells that are no numbers at all, by row."""
    return {row: texts[row] for row in bad if not texts[row][:1].isdigit()}


def _texts(texts: list[str], quantity: str) -> tuple[NDArray[Any], dict[int, str]]:
    if quantity == "word":
        texts = [text.lower() for text in texts]
    bad = {}
    if quantity == "name" and not all(texts):
        bad = {row: "is empty" for row, text in enumerate(texts) if not text}
    return np.array(texts, dtype=object), bad


def decimal_points(texts: list[str], decimal: str) -> tuple[Sequence[str], dict[int, str]]:
    """Replace decimal commas; a point in such a column would be read as something else."""
    if decimal == ".":
        return texts, {}
    bad = {row: 'has a point where decimal is ","' for row, t in enumerate(texts) if "." in t}
    return [text.replace(",", ".") for text in texts], bad


def _judged(quantity: str, values: FloatArray, unit: str, bad: dict[int, str]) -> FloatArray:
    """Refuse what the quantity cannot be, in place of ``bad``, and convert to metres."""
    if quantity == "distance" and ((values > FARTHEST) | ((values > 0) & (values < NEAREST))).any():
        wrong, why = (values > FARTHEST) | (values < NEAREST), "is no distance that can be measured"
    elif quantity == "distance":
        wrong, why = values <= 0.0, "is not above 0; leave the cell empty where none was measured"
    elif quantity == "face":
        wrong, why = (values != 1.0) & (values != 2.0), "is not 1 or 2"
    elif quantity == "count":
        whole = values == np.floor(values)
        wrong, why = ~whole | (values < 1.0) | (values > FARTHEST), "is not a count from 1"
    elif quantity in _RANGES:
        low, high, name = _RANGES[quantity]
        wrong, why = (values < low) | (values > high), f"is outside {low:g} to {high:g} {name}"
    else:
        wrong, why = np.abs(values) > LARGEST, "is beyond all measure"
    for row in np.flatnonzero(wrong & ~np.isnan(values)):
        bad[int(row)] = why
    values = np.where(wrong, np.nan, values)
    plain = quantity in ("face", "count") or quantity in _RANGES
    return values if plain else values * length_factor(unit)


def _times(texts: list[str], unit: str) -> Parsed:
    """Read times as seconds of the epoch; a time without offset is taken as UTC."""
    if unit == "epoch":
        return parse_numbers(texts)
    values = np.full(len(texts), np.nan)
    bad: dict[int, str] = {}
    for row, text in enumerate(texts):
        if not text:
            continue
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            bad[row] = "is not an ISO 8601 time"
            continue
        epoch = _EPOCH if moment.tzinfo else _NAIVE_EPOCH
        values[row] = (moment - epoch).total_seconds()
    return values, bad


def _merge_zenith(
    values: dict[str, NDArray[Any]],
    columns: Mapping[str, Cells],
    reasons: dict[int, list[str]],
) -> None:
    elevation = values.pop("elevation_angle")  # already turned into a zenith angle
    if {"zenith", "elevation_angle"} <= columns.keys():
        pairs = zip(columns["zenith"].texts, columns["elevation_angle"].texts, strict=True)
        for row, (zenith, other) in enumerate(pairs):
            if zenith and other:
                reasons.setdefault(row, []).append("zenith and elevation_angle are both given")
    values["zenith"] = np.where(np.isnan(values["zenith"]), elevation, values["zenith"])


def _merge_azimuth(values: dict[str, NDArray[Any]], reasons: dict[int, list[str]]) -> None:
    """Put azimuths among the directions, marked; a row can have one of the two."""
    azimuth, direction = values["azimuth"], values["direction"]
    given = np.isfinite(azimuth)
    for row in np.flatnonzero(given & np.isfinite(direction)):
        reasons.setdefault(int(row), []).append(
            "direction and azimuth are both given. An azimuth that was observed beside the circle "
            "stands in a row of its own; one that was computed from it is left out"
        )
    values["azimuth"] = given
    values["direction"] = np.where(given, azimuth, direction)


def _observed(columns: Mapping[str, Cells], rows: int) -> BoolArray:
    given = {
        name: np.array(list(map(bool, columns[name].texts)))
        if name in columns
        else np.zeros(rows, dtype=bool)
        for name in OBSERVED
    }
    vertical = given["zenith"] | given["elevation_angle"]
    distance = given["distance"] | given["horizontal_distance"]
    return np.column_stack([given["direction"] | given["azimuth"], vertical, distance])
