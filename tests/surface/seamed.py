"""Yards that two setups shot side by side, with a step in height between the two or without.

The ground is even, bends evenly, or is creased by a breakline along or across the seam; spacing,
size, roughness and sds vary.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.surface.grounds import CONFIDENCE
from tieup.surface.seams import Seam
from tieup.surface.spread import HeightSpread
from tieup.surface.whole_surface import Surface, SurfaceGround, build_surface


@dataclass(frozen=True)
class SeamedYard:
    """A ground of two setups, its surface, and the step that their common errors make."""

    surface: Surface
    step: float


def seamed_yard(rng: np.random.Generator, planted: float) -> SeamedYard:
    """Return one yard, its second setup ``planted`` (m) higher than it should be."""
    rows, columns = rng.integers(6, 12), rng.integers(8, 14)
    spacing = rng.uniform(2.0, 6.0)
    axes = np.mgrid[0:rows, 0:columns] * spacing
    plan = np.column_stack([axis.ravel() for axis in axes])
    crease = rng.integers(0, columns) if rng.random() < 0.5 else -1
    lines = [[crease + columns * i for i in range(rows)]] if crease >= 0 else []
    loose = np.ones(len(plan), dtype=bool)
    loose[[point for line in lines for point in line]] = False
    loose &= (plan > 0).all(axis=1) & (plan < plan.max(axis=0)).all(axis=1)  # lines end at the edge
    plan[loose] += rng.uniform(-0.2, 0.2, (loose.sum(), 2)) * spacing
    height = 100.0 + plan @ rng.uniform(-0.02, 0.02, 2)
    height += rng.uniform(-1e-5, 1e-5) * plan[:, 1] ** 2  # a rise of 1 cm or less over 30 m
    if crease >= 0:
        height += rng.uniform(-0.03, 0.03) * np.abs(plan[:, 1] - crease * spacing)
    height += rng.uniform(0.0, 0.001) * rng.normal(size=len(plan))
    setup = (plan[:, 1] > (rng.uniform(0.35, 0.65) * columns) * spacing).astype(np.int64)
    own = np.full(len(plan), rng.uniform(0.0008, 0.0015))
    common = rng.uniform(0.0, 0.001) * rng.normal(size=2)  # of this day, as the adjustment has it
    spread = HeightSpread(own, 0.0007 * np.eye(2)[setup])
    height += own * rng.normal(size=len(plan)) + common[setup] + planted * setup
    ground = SurfaceGround(np.column_stack([plan, height]), spread, setup, lines)
    return SeamedYard(build_surface(ground, CONFIDENCE), planted + common[1] - common[0])


def dammed_channel(rng: np.random.Generator) -> Surface:
    """Return a channel that drains and that a step of 10 mm between two setups dams up.

    It falls 0.02 to 0.2 % along its flow line, a breakline, over the seam to the second setup.
    """
    rows, columns = rng.integers(6, 12), rng.integers(8, 14)
    spacing = rng.uniform(2.0, 6.0)
    axes = np.mgrid[0:rows, 0:columns] * spacing
    plan = np.column_stack([axis.ravel() for axis in axes])
    middle = rows // 2
    line = [middle * columns + i for i in range(columns)]
    inner = (plan > 0).all(axis=1) & (plan < plan.max(axis=0)).all(axis=1)
    inner[line] = False
    plan[inner] += rng.uniform(-0.2, 0.2, (inner.sum(), 2)) * spacing
    aside = np.abs(plan[:, 0] - middle * spacing)
    height = 100.0 - rng.uniform(2e-4, 2e-3) * plan[:, 1] + rng.uniform(0.002, 0.02) * aside
    setup = (plan[:, 1] > (rng.uniform(0.35, 0.65) * columns) * spacing).astype(np.int64)
    own = np.full(len(plan), rng.uniform(0.0005, 0.0015))
    spread = HeightSpread(own, 0.0007 * np.eye(2)[setup])
    height += own * rng.normal(size=len(plan)) + 0.010 * setup
    ground = SurfaceGround(np.column_stack([plan, height]), spread, setup, [line])
    return build_surface(ground, CONFIDENCE)


def uneven_yard(rng: np.random.Generator, planted: float, *, creased: bool) -> Seam:
    """Return the seam of a yard of 2 to 6 m between points that no breakline shows the shape of.

    The ground is rough by 0.3 to 3 mm, and where it is ``creased`` it bends by up to 6 % along a
    line beside the seam.
    """
    rows, columns = rng.integers(6, 12), rng.integers(8, 14)
    spacing = rng.uniform(2.0, 6.0)
    axes = np.mgrid[0:rows, 0:columns] * spacing
    plan = np.column_stack([axis.ravel() for axis in axes])
    inner = (plan > 0).all(axis=1) & (plan < plan.max(axis=0)).all(axis=1)
    plan[inner] += rng.uniform(-0.2, 0.2, (inner.sum(), 2)) * spacing
    seam = rng.uniform(0.35, 0.65) * columns * spacing
    height = 100.0 + plan @ rng.uniform(-0.02, 0.02, 2)
    height += rng.uniform(0.0003, 0.003) * rng.normal(size=len(plan))
    if creased:
        crease = seam + rng.uniform(-4.0, 4.0) * spacing
        height += rng.uniform(-0.03, 0.03) * np.abs(plan[:, 1] - crease)
    setup = (plan[:, 1] > seam).astype(np.int64)
    own = np.full(len(plan), rng.uniform(0.0002, 0.0015))
    height += own * rng.normal(size=len(plan)) + planted * setup
    spread = HeightSpread(own, 0.0007 * np.eye(2)[setup])
    ground = SurfaceGround(np.column_stack([plan, height]), spread, setup)
    return build_surface(ground, CONFIDENCE).seams[0]
