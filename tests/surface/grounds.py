"""Grounds for the tests of surfaces: small shapes with a closed form, and random ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.surface.spread import HeightSpread
from tieup.surface.whole_surface import Surface, SurfaceGround, build_surface

CONFIDENCE = 0.95


def certain(count: int, sd: float = 0.001) -> HeightSpread:
    """Return heights that are known alike and independently."""
    return HeightSpread(np.full(count, sd), np.zeros((count, 0)))


def surface_of(place: Any, **others: Any) -> Surface:
    """Return the surface over places (n, 3) with further parts of a `Ground`."""
    points = np.array(place, dtype=float).reshape(-1, 3)
    setup = others.pop("setup", np.zeros(len(points), dtype=np.int64))
    spread = others.pop("spread", certain(len(points)))
    return build_surface(SurfaceGround(points, spread, setup, **others), CONFIDENCE)


def grid(rows: int, columns: int, spacing: float = 1.0) -> FloatArray:
    """Return plan places (n, 2) on a grid, northing by northing."""
    axes = np.mgrid[0:rows, 0:columns] * spacing
    return np.column_stack([axis.ravel() for axis in axes])


def lifted(plan: FloatArray, height: Callable[[FloatArray, FloatArray], Any]) -> FloatArray:
    """Return places (n, 3) with the height of a function of northing and easting."""
    return np.column_stack([plan, np.broadcast_to(height(*plan.T), len(plan))])


def rings(radii: Sequence[float], around: int) -> FloatArray:
    """Return the middle and rings of points around it (n, 2)."""
    turn = np.arange(around) * 2.0 * np.pi / around
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    return np.concatenate([np.zeros((1, 2)), *(r * circle for r in radii)])
