"""Yards drawn at random: true heights, how well they are known, and what a survey makes of them.

The world varies: size and spacing, falls, number of inlets and setups, sds, hollows and humps of
every size from nothing to far beyond chance, rounding of the design to whole centimetres (which
makes level places). Nothing is tuned to a seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.drainage import outlets_of
from tieup.surface.mesh import Mesh
from tieup.surface.outline import outlined
from tieup.surface.spread import HeightSpread
from tieup.surface.triangulation import triangulate

NO_EDGES = np.zeros((0, 2), dtype=np.int64)


@dataclass(frozen=True)
class Yard:
    """``true`` and ``measured`` places (n, 3), ``setup`` (n,), ``inlets``, spread of heights."""

    true: FloatArray
    measured: FloatArray
    setup: IntArray
    inlets: IntArray
    spread: HeightSpread

    def mesh(self, place: FloatArray | None = None) -> Mesh:
        """Return the surface over the measured points, or over other heights of the same."""
        found = triangulate(self.measured if place is None else place, NO_EDGES, self.spread)
        return outlined(found.mesh, None, [], np.inf)

    def outlet(self, mesh: Mesh) -> BoolArray:
        """Return where water leaves."""
        return outlets_of(mesh, self.inlets, np.zeros(0, dtype=np.int64))


def draw_yard(rng: np.random.Generator, *, hollows: bool = True) -> Yard:
    """Return one yard."""
    rows, columns = rng.integers(5, 10, 2)
    spacing = rng.uniform(2.0, 8.0)
    north, east = (axis.ravel() for axis in np.mgrid[0:rows, 0:columns] * spacing)
    plan = np.column_stack([north, east]) + rng.uniform(-0.25, 0.25, (rows * columns, 2)) * spacing
    inlets = rng.choice(len(plan), rng.integers(0, 4), replace=False)
    height = _shape(rng, plan, inlets)
    if hollows:
        sunk = rng.choice(len(plan), rng.integers(0, 3), replace=False)
        height[sunk] -= rng.exponential(0.02, len(sunk)) + rng.uniform(0, 0.06, len(sunk))
        height += rng.choice([0.0, 0.003, 0.01]) * rng.normal(size=len(plan))
        if rng.random() < 0.3:
            height = np.round(height, 2)
    setups = rng.integers(1, 5)
    stands = rng.uniform(0, 1, (setups, 2)) * plan.max(axis=0)
    away = np.hypot(*(plan[:, None] - stands).transpose(2, 0, 1))
    setup = np.argmin(away, axis=1)
    own = rng.uniform(0.0005, 0.003) * (1.0 + 0.01 * away.min(axis=1))
    common = rng.uniform(0.0, 0.004) * np.eye(setups)[setup]
    spread = HeightSpread(own, common)
    error = spread.draws(1, rng)[0]
    true = np.column_stack([plan, height])
    return Yard(true, true + error[:, None] * [0, 0, 1], setup, inlets, spread)


def _shape(rng: np.random.Generator, plan: FloatArray, inlets: IntArray) -> FloatArray:
    """Return the design: a fall to one side, or cones to the inlets with high lines between."""
    if len(inlets) and rng.random() < 0.7:
        away = np.hypot(*(plan[:, None] - plan[inlets]).transpose(2, 0, 1))
        return np.asarray(100.0 + rng.uniform(0.002, 0.03) * away.min(axis=1))
    fall, way = rng.uniform(0.001, 0.03), rng.uniform(0, 2 * np.pi)
    return np.asarray(100.0 + fall * (plan @ [np.cos(way), np.sin(way)]))
