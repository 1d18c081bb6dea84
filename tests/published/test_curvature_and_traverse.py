"""D2 and D3: curvature and refraction, latitudes and departures of printed examples."""

import numpy as np
import pytest

from tieup.geometry import EARTH_RADIUS, curvature_coefficient, polar_offset

FOOT = 0.3048  # m
LECTURE_RADIUS = 20_906_000.0  # ft

# D ft: curvature, refraction, combined (ft). Lecture notes on Wolf and Ghilani, 11th ed.,
# chapter 4 (coursehero.com/file/6257444), refraction 0.14 of curvature.
LECTURE = {
    500: (0.005979, 0.00083708, 0.005142),
    1000: (0.023917, 0.003348321, 0.020568),
    5000: (0.597914, 0.083708025, 0.514206),
    7500: (1.345308, 0.188343054, 1.156964),
    10000: (2.391658, 0.334832087, 2.056826),
}


@pytest.mark.parametrize("distance", list(LECTURE))
def test_curvature_and_refraction_table(distance):
    """c, r and c - r of the lecture table, rescaled to the earth radius it uses."""
    radius = EARTH_RADIUS / LECTURE_RADIUS
    curvature = curvature_coefficient(0.0) * radius * distance**2
    combined = curvature_coefficient(0.14) * radius * distance**2
    found = (curvature, curvature - combined, combined)
    np.testing.assert_allclose(found, LECTURE[distance], rtol=0, atol=1.1e-6)  # ft


@pytest.mark.parametrize(
    ("distance", "unit", "printed", "tolerance"),
    [
        (1000.0, 1.0, 0.0675, 5.1e-5),  # m per square km; open-exam-prep.com 7.6
        (1000.0 * FOOT, FOOT, 0.0206, 5.1e-5),  # ft per (1000 ft)^2; the same
        (5280.0 * FOOT, FOOT, 0.574, 1e-3),  # ft per square mile; from memory
    ],
)
def test_handbook_coefficients(distance, unit, printed, tolerance):
    """The well-known coefficients, with the tool's own radius and refraction 0.14."""
    drop = curvature_coefficient(0.14) * distance**2 / unit
    assert drop == pytest.approx(printed, abs=tolerance)


def test_sight_gains_the_combined_height():
    """A level sight of 1 km ends 0.0675 m above the level surface (same sources)."""
    offset = polar_offset(0.0, np.pi / 2, 1000.0, curvature_coefficient(0.14))
    assert offset[2] == pytest.approx(0.0675, abs=5.1e-5)  # m


def angle(degrees, minutes=0, seconds=0):
    return np.radians(degrees + minutes / 60 + seconds / 3600)


# Purdue ASM 215, traverse computations (engineering.purdue.edu/~asm215/topics/travcalc.html).
PURDUE = (
    [angle(26, 10), angle(104, 35), angle(195, 30), angle(358, 18), angle(306, 54)],
    [285.10, 610.45, 720.48, 203.00, 647.02],
    (-0.71, 0.53),
)
# Mahun, Open Access Surveying Library, traverse computations, chapter I; bearings as azimuths.
MAHUN_LOOP = (
    [
        np.pi + angle(68, 5, 35),
        -angle(19, 46),
        angle(45, 55, 20),
        np.pi - angle(54, 59, 15),
    ],
    [472.68, 216.13, 276.52, 382.24],
    (0.083, 0.075),
)
MAHUN_LINK = (
    [np.pi - angle(56, 23, 38), np.pi + angle(75, 17, 42), angle(43, 5, 47)],
    [398.75, 422.89, 604.49],
    (2713.835 - 2600.480, 1727.740 - 1391.670),
)


@pytest.mark.parametrize(
    ("traverse", "tolerance"),
    [(PURDUE, 0.0101), (MAHUN_LOOP, 0.0011), (MAHUN_LINK, 0.0011)],
    ids=["Purdue", "Mahun loop", "Mahun link"],
)
def test_sums_of_latitudes_and_departures(traverse, tolerance):
    """Sums of dN and dE as printed, to one printed unit: the sources add rounded lines."""
    azimuths, lengths, printed = traverse
    offsets = polar_offset(azimuths, np.full(len(lengths), np.pi / 2), lengths)
    np.testing.assert_allclose(offsets.sum(axis=0)[:2], printed, rtol=0, atol=tolerance)
    np.testing.assert_allclose(offsets[:, 2], 0.0, atol=1e-9)
