"""Parse, convert and format angles and lengths: the one rim where units are met.

Takes the text of table cells and a unit name, gives radians and metres; and back.
Columns go through as a whole, because a campaign has hundreds of thousands of cells.

A parser never raises for a bad cell: it returns NaN there and the reason under the
cell's index, so that the caller can say which row is wrong and read the others.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# Values (NaN where empty or bad) and, by index, what is wrong with each bad cell.
Parsed: TypeAlias = tuple[FloatArray, dict[int, str]]

# The full circle in each unit. mil is the artillery mil of 6400 to the circle (neither the
# milliradian nor the 6000 and 6300 of other services); gon is the grad of 400.
FULL_CIRCLE = {
    "deg": 360.0,
    "dms": 360.0,
    "dms-packed": 360.0,
    "gon": 400.0,
    "rad": 2.0 * np.pi,
    "mil": 6400.0,
}
ANGLE_UNITS = tuple(FULL_CIRCLE)

# Metres in one unit. ft is the international foot (exact, 1959); ftUS the US survey foot,
# 1200/3937 m (retired in the USA at the end of 2022, still in older control).
LENGTH_UNITS = {
    "m": 1.0,
    "ft": 0.3048,
    "ftUS": 1200.0 / 3937.0,
    "mm": 0.001,
    "cm": 0.01,
    "km": 1000.0,
    "in": 0.0254,
    "mi": 1609.344,
}
JOB_LENGTH_UNITS = ("m", "ft", "ftUS")

# Decimals that resolve 0.01 arc second or better.
_DECIMALS = {"deg": 6, "gon": 6, "rad": 8, "mil": 5}

_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
# 45-30-25.5  45 30 25.5  45:30:25  45°30'25.5"
_DEGREES_MINUTES = r"[+-]?\d+[-:°\s]\s*\d\d?"
_SECONDS = r"[-:'′’\s]\s*\d\d?(?:\.\d*)?(?:[\"″”]|'')?"
_THREE_PARTS = re.compile(_DEGREES_MINUTES + _SECONDS, re.ASCII)
_TWO_PARTS = re.compile(_DEGREES_MINUTES + "['′’]?", re.ASCII)
_ZERO = re.compile(r"[+-]?0+", re.ASCII)
_PACKED = re.compile(r"([+-]?\d+)(?:\.(\d*))?", re.ASCII)
_TO_SPACES = str.maketrans(dict.fromkeys("+-:°'′’\"″”", " "))


def angle_factor(unit: str) -> float:
    """Return the radians in one ``unit`` of angle (a degree for dms and dms-packed)."""
    return 2.0 * np.pi / FULL_CIRCLE[unit]


def length_factor(unit: str) -> float:
    """Return the metres in one ``unit`` of length, one of `LENGTH_UNITS`.

    >>> length_factor("ft")
    0.3048
    """
    return LENGTH_UNITS[unit]


def length_word(unit: str) -> str:
    """Return what a unit of length is called beside a number: which foot it is must show.

    >>> length_word("m"), length_word("ft"), length_word("ftUS")
    ('m', 'ft', 'US ft')
    """
    return {"ftUS": "US ft"}.get(unit, unit)


def parse_numbers(texts: Sequence[str]) -> Parsed:
    """Turn cells into finite numbers; an empty cell is NaN and no mistake.

    ``nan``, ``inf`` and digit separators are bad cells: Python's own ``float`` would let
    them through.
    """
    if not any(texts):
        return np.full(len(texts), np.nan), {}
    try:
        values = np.array([float(text) if text else np.nan for text in texts])
    except ValueError:
        return _parse_each_number(texts)
    spoken = np.flatnonzero(~np.isfinite(values))
    if any(texts[int(i)] for i in spoken) or any("_" in text for text in texts):
        return _parse_each_number(texts)
    return values, {}


def _parse_each_number(texts: Sequence[str]) -> Parsed:
    values = np.full(len(texts), np.nan)
    bad: dict[int, str] = {}
    for i, text in enumerate(texts):
        if not text:
            continue
        value = float(text) if _NUMBER.fullmatch(text.strip()) else np.nan
        if np.isfinite(value):
            values[i] = value
        else:
            comma = _COMMA.fullmatch(text.strip())
            bad[i] = "is not a number" + (" (its decimal sign is a comma)" if comma else "")
    return values, bad


def parse_angles(texts: Sequence[str], unit: str) -> Parsed:
    """Turn cells in one of the six notations into radians, without judging their range.

    Parameters
    ----------
    texts
        Trimmed cells; an empty one is NaN.
    unit
        deg, gon, rad, mil (6400 to the circle): decimal numbers. dms: degrees, minutes and
        seconds apart (``45-30-25.5``, ``45 30 25.5``, ``45:30:25``, ``45°30'25.5"``; seconds
        may be left out). dms-packed: ``DDD.MMSSsss``, read as text: zeros dropped at the end
        count, so ``90.1`` is 90°10'. A sign holds for the whole angle.

    Returns
    -------
    values
        Radians, shape (len(texts),), NaN where empty or bad.
    bad
        By index, the reason: not in the notation, or minutes or seconds of 60 and more.

    Examples
    --------
    >>> values, bad = parse_angles(["90.1", "", "12.6"], "dms-packed")
    >>> [round(float(v), 4) for v in np.degrees(values)], bad
    ([90.1667, nan, nan], {2: 'has minutes of 60 or more'})
    """
    if unit == "dms":
        return _from_parts(texts, _spread_sexagesimal(texts), "is not degrees-minutes-seconds")
    if unit == "dms-packed":
        return _from_parts(texts, _spread_packed(texts), "is not DDD.MMSS")
    values, bad = parse_numbers(texts)
    return (values if unit == "rad" else _from_circles(values / FULL_CIRCLE[unit])), bad


def _from_circles(circles: FloatArray) -> FloatArray:
    # Through the part of the circle, so that a right angle is pi / 2 to the last bit.
    return circles * (2.0 * np.pi)


def _spread_sexagesimal(texts: Sequence[str]) -> list[str]:
    """Bring each cell to degrees, minutes, seconds apart; empty where it is no such angle."""
    fits = _THREE_PARTS.fullmatch
    return [text if fits(text) else _spread_short(text) for text in texts]


def _spread_short(text: str) -> str:
    if _TWO_PARTS.fullmatch(text):
        return text + " 0"
    return "0 0 0" if _ZERO.fullmatch(text) else ""  # 0 is the same angle in every unit


def _spread_packed(texts: Sequence[str]) -> list[str]:
    matches = map(_PACKED.fullmatch, texts)
    return [_unpack(match[1], match[2] or "") if match else "" for match in matches]


def _unpack(degrees: str, digits: str) -> str:
    digits = digits.ljust(4, "0")
    return f"{degrees} {digits[:2]} {digits[2:4]}.{digits[4:]}"


def _from_parts(texts: Sequence[str], spread: list[str], unreadable: str) -> Parsed:
    bad: dict[int, str] = {}
    if not all(spread):
        bad = {i: unreadable for i, text in enumerate(texts) if text and not spread[i]}
        spread = [parts or "nan 0 0" for parts in spread]
    # The whole column in one go: cell by cell it would take twice as long.
    joined = "\n".join(spread)
    parts = np.fromstring(joined.translate(_TO_SPACES), sep=" ").reshape(-1, 3)
    _refuse_sixty(parts[:, 1], "minutes", bad)
    _refuse_sixty(parts[:, 2], "seconds", bad)
    seconds = parts[:, 0] * 3600.0 + parts[:, 1] * 60.0 + parts[:, 2]
    sign: FloatArray | float = 1.0
    if "\n-" in f"\n{joined}":
        sign = np.where([text[:1] == "-" for text in texts], -1.0, 1.0)
    values = _from_circles(sign * seconds / 1_296_000.0)
    values[list(bad)] = np.nan
    return values, bad


def _refuse_sixty(part: FloatArray, word: str, bad: dict[int, str]) -> None:
    for i in np.flatnonzero(part >= 60.0):
        bad.setdefault(int(i), f"has {word} of 60 or more")


def format_angle(angle: float, unit: str) -> str:
    """Write one angle (rad) in ``unit``, resolved to 0.01 arc second or better.

    >>> format_angle(np.pi / 4, "dms")
    '45-00-00.00'
    """
    return format_angles([angle], unit)[0]


def format_angles(angles: ArrayLike, unit: str) -> list[str]:
    """Write angles (rad, shape (m,)) in ``unit``; NaN becomes an empty text.

    What is written reads back with `parse_angles` to within half of its last digit:
    0.005 arc second in the sexagesimal notations, less in the others.
    """
    values = np.asarray(angles, dtype=np.float64) / angle_factor(unit)
    if unit == "dms":
        return _write_sexagesimal(values, "%s%d-%02d-%02d.%02d")
    if unit == "dms-packed":
        return _write_sexagesimal(values, "%s%d.%02d%02d%02d")
    pattern = f"%.{_DECIMALS[unit]}f"
    return ["" if value != value else pattern % value for value in values.tolist()]


def _write_sexagesimal(degrees: FloatArray, pattern: str) -> list[str]:
    blank = np.isnan(degrees)
    # Whole hundredths of a second first: rounding later would write 60 seconds.
    total = np.rint(np.abs(np.where(blank, 0.0, degrees)) * 360_000.0).astype(np.int64)
    sign = np.where((degrees < 0.0) & (total > 0), "-", "")
    minutes, hundredths = np.divmod(total, 6000)
    whole, minutes = np.divmod(minutes, 60)
    seconds, hundredths = np.divmod(hundredths, 100)
    columns = (sign, whole, minutes, seconds, hundredths)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return ["" if empty else pattern % row for empty, row in zip(blank.tolist(), rows, strict=True)]
