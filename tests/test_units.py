"""Angles and lengths at the rim: six notations against exact arithmetic on their digits."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tieup.units import (
    ANGLE_UNITS,
    FULL_CIRCLE,
    angle_factor,
    format_angle,
    format_angles,
    length_factor,
    parse_angles,
    parse_numbers,
)

ARC_SECOND = np.pi / 648_000
HALF_DIGIT = {  # half of the last digit written, in arc seconds
    "deg": 0.5e-6 * 3600,
    "dms": 0.005,
    "dms-packed": 0.005,
    "gon": 0.5e-6 * 3240,
    "rad": 0.5e-8 / ARC_SECOND,
    "mil": 0.5e-5 * 202.5,
}

READABLE = [
    # text, unit, arc seconds, why
    ("45-30-25.5", "dms", 163825.5, "hyphens"),
    ("45 30 25.5", "dms", 163825.5, "blanks"),
    ("45  30  25.5", "dms", 163825.5, "several blanks"),
    ("45°30'25.5\"", "dms", 163825.5, "the signs of a keyboard"),
    ("45° 30′ 25.5″", "dms", 163825.5, "the signs of typesetting"),
    ("45°30'25.5''", "dms", 163825.5, "two primes for the seconds"),
    ("45:30:25", "dms", 163825.0, "colons"),
    ("45-30", "dms", 163800.0, "seconds left out"),
    ("45°30'", "dms", 163800.0, "seconds left out, with signs"),
    ("-0-00-02", "dms", -2.0, "the sign holds although the degrees are 0"),
    ("+1-00-00", "dms", 3600.0, "a plus sign"),
    ("0", "dms", 0.0, "a circle set to zero is booked as a plain 0"),
    ("005-09-08.25", "dms", 18548.25, "leading zeros are not octal"),
    ("359-59-59.99", "dms", 1295999.99, "just below the circle"),
    # What real LandXML files do, trailing zeros dropped and negative values (Partridge survey)
    ("45.3025", "dms-packed", 163825.0, "the plain case"),
    ("90.1", "dms-packed", 324600.0, "90.1 is 90 deg 10'"),
    ("0.", "dms-packed", 0.0, "nothing after the point"),
    ("0.004", "dms-packed", 40.0, "0.004 is 40 seconds"),
    ("-359.5958", "dms-packed", -1295998.0, "a negative angle"),
    ("45.3", "dms-packed", 163800.0, "as a float it would be 45 deg 29' 99.99\""),
    ("45.30255", "dms-packed", 163825.5, "further digits are decimals of the second"),
    ("90", "dms-packed", 324000.0, "whole degrees"),
    ("45.5", "deg", 163800.0, "decimal degrees"),
    ("1e2", "gon", 324000.0, "an exponent"),
    (".5", "deg", 1800.0, "nothing before the point"),
    ("1600", "mil", 324000.0, "6400 mil to the circle"),
]


@pytest.mark.parametrize(("text", "unit", "seconds", "why"), READABLE)
def test_notation_is_read(text: str, unit: str, seconds: float, why: str) -> None:
    """Each notation gives the angle that its digits say."""
    values, bad = parse_angles([text], unit)
    assert not bad, why
    assert values[0] / ARC_SECOND == pytest.approx(seconds, abs=1e-8), why  # arc seconds


UNREADABLE = [
    ("45-60-00", "dms", "minutes of 60", "a typing slip"),
    ("45-00-60", "dms", "seconds of 60", "a typing slip"),
    ("45.5", "dms", "not degrees-minutes-seconds", "decimal degrees, or packed: do not guess"),
    ("45", "dms", "not degrees-minutes-seconds", "a bare number other than 0 can be any unit"),
    ("45-30-25-1", "dms", "not degrees-minutes-seconds", "four parts"),
    ("45-30-", "dms", "not degrees-minutes-seconds", "cut off"),
    ("1--2-3", "dms", "not degrees-minutes-seconds", "an empty part"),
    ("abc", "dms", "not degrees-minutes-seconds", "a word"),
    ("12.6", "dms-packed", "minutes of 60", "12.6 would be 60 minutes"),
    ("12.0060", "dms-packed", "seconds of 60", "60 seconds"),
    ("12.99", "dms-packed", "minutes of 60", "decimal degrees"),
    ("1e2", "dms-packed", "not DDD.MMSS", "an exponent has no digits to unpack"),
    ("nan", "deg", "not a number", "Python's float would take it"),
    ("inf", "gon", "not a number", "Python's float would take it"),
    ("-Infinity", "rad", "not a number", "Python's float would take it"),
    ("1_0", "mil", "not a number", "Python's float would take it"),
    ("1e999", "deg", "not a number", "overflows to infinity"),
    ("12,5", "deg", "decimal sign is a comma", "a table of another country"),
    ("45-30-25", "deg", "not a number", "the other notation"),
]


@pytest.mark.parametrize(("text", "unit", "reason", "why"), UNREADABLE)
def test_bad_cell_is_named_and_the_others_are_read(
    text: str, unit: str, reason: str, why: str
) -> None:
    """A bad cell is NaN with its reason; its neighbours, an empty one too, are not touched."""
    good = format_angle(1.0, unit)
    values, bad = parse_angles([good, text, "", good], unit)
    assert list(bad) == [1]
    assert reason in bad[1], why
    assert np.isnan(values[[1, 2]]).all()
    assert values[[0, 3]] == pytest.approx(1.0, abs=3e-8)  # rad


digits = st.tuples(
    st.booleans(),
    st.integers(0, 399),
    st.integers(0, 59),
    st.integers(0, 59),
    st.integers(0, 999),
)


@given(st.lists(digits, min_size=1, max_size=20))
def test_sexagesimal_notations_agree_with_exact_fractions(rows: list[tuple[int, ...]]) -> None:
    """dms and dms-packed give degrees + minutes / 60 + seconds / 3600, by rational arithmetic."""
    exact, spaced, packed = [], [], []
    for negative, degrees, minutes, seconds, thousandths in rows:
        sign = "-" if negative else ""
        size = Fraction(degrees * 3600 + minutes * 60 + seconds) + Fraction(thousandths, 1000)
        exact.append(float(-size if negative else size))
        spaced.append(f"{sign}{degrees}-{minutes:02d}-{seconds:02d}.{thousandths:03d}")
        full = f"{sign}{degrees}.{minutes:02d}{seconds:02d}{thousandths:03d}"
        packed.append(full.rstrip("0"))
    for texts, unit in ((spaced, "dms"), (packed, "dms-packed")):
        values, bad = parse_angles(texts, unit)
        assert not bad
        assert values / ARC_SECOND == pytest.approx(exact, abs=1e-8)  # arc seconds


@pytest.mark.parametrize("unit", ANGLE_UNITS)
@given(st.lists(st.floats(-2 * np.pi, 2 * np.pi), min_size=1, max_size=20))
def test_what_is_written_reads_back(unit: str, angles: list[float]) -> None:
    """Formatting and parsing give the angle back to half of the last digit written."""
    values, bad = parse_angles(format_angles(angles, unit), unit)
    assert not bad
    error = np.abs(values - angles) / ARC_SECOND
    assert error.max() <= HALF_DIGIT[unit] * (1 + 1e-6) + 1e-8  # arc seconds


@pytest.mark.parametrize("unit", ANGLE_UNITS)
@given(st.lists(st.floats(0, 2 * np.pi), min_size=1, max_size=20))
def test_what_is_written_has_no_sixty_and_no_minus_zero(unit: str, angles: list[float]) -> None:
    """Rounding carries into the minutes and degrees, and a tiny negative is a plain zero."""
    for text in format_angles([*angles, -1e-12], unit):
        assert not parse_angles([text], unit)[1]  # sixty minutes or seconds would be refused
    assert format_angles([-1e-12], unit)[0].strip("-0.") == ""
    assert format_angle(-1e-12, "dms") == "0-00-00.00"


def test_rounding_up_carries() -> None:
    """59.999 seconds is written as the next minute, never as 60.00."""
    assert format_angle(np.radians(45 + 59 / 60 + 59.999 / 3600), "dms") == "46-00-00.00"
    assert format_angle(np.radians(45 + 59 / 60 + 59.999 / 3600), "dms-packed") == "46.000000"


@pytest.mark.parametrize("unit", ANGLE_UNITS)
def test_missing_angle_is_empty_both_ways(unit: str) -> None:
    """NaN is written as nothing, and nothing is read as NaN without a reason."""
    assert format_angles([np.nan, 1.0], unit)[0] == ""
    values, bad = parse_angles(["", ""], unit)
    assert np.isnan(values).all() and not bad


@pytest.mark.parametrize(
    ("text", "unit"),
    [("90", "deg"), ("90-00-00", "dms"), ("90.0", "dms-packed"), ("100", "gon"), ("1600", "mil")],
)
def test_right_angle_is_exact(text: str, unit: str) -> None:
    """A right angle is pi / 2 to the last bit in every unit that can write it."""
    assert parse_angles([text], unit)[0][0] == np.pi / 2


def test_full_circles() -> None:
    """360 degrees, 400 gon, 6400 mil, 2 pi: one circle."""
    for unit in ANGLE_UNITS:
        assert angle_factor(unit) * FULL_CIRCLE[unit] == pytest.approx(2 * np.pi, abs=1e-12)


def test_length_factors_are_the_legal_ones() -> None:
    """International foot 0.3048 m exactly (1959); US survey foot 1200/3937 m (1893).

    The two differ by 2 parts in a million: 2 ft in a coordinate of 1,000,000 ft (Federal
    Register 2020-21902 on the end of the survey foot).
    """
    assert length_factor("m") == 1.0
    assert length_factor("ft") == 0.3048
    assert length_factor("ftUS") * 3937 == pytest.approx(1200, abs=1e-9)
    apart = 1_000_000 * (length_factor("ftUS") / length_factor("ft") - 1)
    assert apart == pytest.approx(2.0, abs=1e-3)  # ft


def test_numbers_may_be_padded_and_signed() -> None:
    """Plain numbers of every usual form are read."""
    values, bad = parse_numbers(["1", "-1.5", "+.5", "2.", "1e-3", ""])
    assert not bad
    assert values[:5].tolist() == [1.0, -1.5, 0.5, 2.0, 0.001]
    assert np.isnan(values[5])


def test_no_cells_no_values() -> None:
    """An empty column is no special case."""
    for unit in ANGLE_UNITS:
        values, bad = parse_angles([], unit)
        assert values.shape == (0,) and not bad
