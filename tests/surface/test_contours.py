"""Contours against contourpy, which also splits each cell at its middle."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from contourpy import contour_generator

from tests.surface.grounds import surface_of
from tieup.surface.contours import contour_lines, interval_of


def test_contours_are_those_of_another_library() -> None:
    """contourpy.contour_generator(quad_as_tri=True): each cell is four triangles about its middle.

    The same lines, by length and by distance, at eight levels of a bumpy ground.
    """
    y, x = np.mgrid[0:12, 0:15].astype(float)
    z = np.sin(x / 2.3) + np.cos(y / 3.1) + 0.1 * x
    middle = (z[1:, 1:] + z[:-1, 1:] + z[1:, :-1] + z[:-1, :-1]) / 4
    grid = np.column_stack([y.ravel(), x.ravel(), z.ravel()])
    centres = np.column_stack(
        [y[:-1, :-1].ravel() + 0.5, x[:-1, :-1].ravel() + 0.5, middle.ravel()]
    )
    lines = [[i, i + 1] for i in range(12 * 15 - 1) if (i + 1) % 15]
    lines += [[i, i + 15] for i in range(11 * 15)]  # the sides of the cells, which are as long
    found = surface_of(np.concatenate([grid, centres]), lines=lines)
    other = contour_generator(x, y, z, quad_as_tri=True)
    levels = np.linspace(z.min(), z.max(), 10)[1:-1].tolist()
    for level in levels:
        own = [line[:, ::-1] for _, line in contour_lines(found.mesh, [level])]
        ours = shapely.union_all([shapely.LineString(line) for line in own])
        theirs = shapely.union_all([shapely.LineString(line) for line in other.lines(level)])
        assert ours.length == pytest.approx(theirs.length, rel=1e-9)
        assert shapely.hausdorff_distance(ours, theirs) < 1e-9
        assert len(own) == len(other.lines(level))


def test_a_contour_through_vertices_is_whole() -> None:
    """A ramp with rows of points at the very level: one line from edge to edge."""
    place = [(n, e, float(n)) for n in range(5) for e in range(4)]
    found = [line for _, line in contour_lines(surface_of(place).mesh, [2.0])]
    assert len(found) == 1
    assert found[0][:, 0] == pytest.approx(2.0)
    assert np.ptp(found[0][:, 1]) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("relief", "interval"), [(0.6, 0.05), (1.2, 0.1), (0.13, 0.02), (30.0, 5.0)]
)
def test_intervals_are_1_2_or_5(relief: float, interval: float) -> None:
    """About twelve lines over the relief; feet are even in feet."""
    assert interval_of(np.array([100.0, 100.0 + relief]), 1.0) == pytest.approx(interval)
    assert interval_of(np.array([0.0, relief * 0.3048]), 0.3048) == pytest.approx(interval * 0.3048)


def test_no_contours_of_noise() -> None:
    """None finer than 5 mm (0.02 ft), none at all where the surface is level within that."""
    assert interval_of(np.array([100.0, 100.008]), 1.0) == pytest.approx(0.005)
    assert interval_of(np.array([100.0, 100.008]), 0.3048) == pytest.approx(0.02 * 0.3048)
    for relief in (0.0, 1e-6, 0.004):
        assert np.isinf(interval_of(np.array([100.0, 100.0 + relief]), 1.0))
