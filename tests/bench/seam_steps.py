"""Steps in height along seams: ``python -m tests.bench.seam_steps [yards] [kind ...]``.

Of each kind of ground, yards that two setups shot side by side: how often a step that is there is
named, and how often one is named where there is none. A common error of the two setups, as the
adjustment has it, is in all of them; no breakline shows the shape of the ground.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from tests.surface.grounds import CONFIDENCE
from tieup.surface.checks import critical
from tieup.surface.seams import Seam
from tieup.surface.spread import HeightSpread
from tieup.surface.whole_surface import SurfaceGround, build_surface

STEPS = (0.0, 0.005, 0.010, 0.020)
COMMON = 0.0007  # m, of each setup


@dataclass(frozen=True)
class SeamGround:
    """What a kind of ground is drawn from: ``slope`` and ``bend`` ratios, ``rough`` m from to.

    ``ditch`` (m) is how deep one may be that runs along the seam or beside it.
    """

    slope: float
    rough: tuple[float, float]
    bend: float = 0.0
    ditch: float = 0.0


KINDS = {
    "flat": SeamGround(0.0, (0.0003, 0.001)),
    "graded": SeamGround(0.04, (0.0003, 0.001)),
    "rough": SeamGround(0.02, (0.001, 0.003)),
    "creased": SeamGround(0.02, (0.0003, 0.003), 0.03),
    "ditch": SeamGround(0.02, (0.0003, 0.003), 0.0, 0.2),
}


def drawn_seam(rng: np.random.Generator, kind: SeamGround, planted: float) -> Seam:
    """Return the seam of one yard, its second setup ``planted`` (m) too high, or too low."""
    rows, columns = rng.integers(6, 12), rng.integers(8, 14)
    spacing = rng.uniform(2.0, 6.0)
    plan = np.column_stack([a.ravel() for a in np.mgrid[0:rows, 0:columns] * spacing])
    inner = (plan > 0).all(axis=1) & (plan < plan.max(axis=0)).all(axis=1)
    plan[inner] += rng.uniform(-0.25, 0.25, (inner.sum(), 2)) * spacing
    seam = rng.uniform(0.35, 0.65) * columns * spacing
    height = 100.0 + plan @ rng.uniform(-kind.slope, kind.slope, 2)
    height += rng.uniform(*kind.rough) * rng.normal(size=len(plan))
    crease = seam + rng.uniform(-4.0, 4.0) * spacing
    height += rng.uniform(-kind.bend, kind.bend) * np.abs(plan[:, 1] - crease)
    aside = (plan[:, 1] - seam) / spacing - rng.uniform(-3.0, 3.0)
    height -= rng.uniform(0.0, kind.ditch) * np.exp(-((aside / rng.uniform(0.5, 2.0)) ** 2))
    setup = (plan[:, 1] + rng.uniform(-0.3, 0.3) * plan[:, 0] > seam).astype(np.int64)
    own = np.full(len(plan), rng.uniform(0.0002, 0.0015))
    spread = HeightSpread(own, COMMON * np.eye(2)[setup])
    height += spread.draws(1, rng)[0] + planted * rng.choice([-1.0, 1.0]) * setup
    ground = SurfaceGround(np.column_stack([plan, height]), spread, setup)
    return build_surface(ground, CONFIDENCE).seams[0]


def named(seam: Seam) -> bool:
    """Return whether a step is called a mistake."""
    return seam.beyond > critical()


def main(yards: int, kinds: list[str]) -> None:
    """Print for each kind and step how many of the yards are named, and how many untested."""
    for name in kinds or KINDS:
        for step in STEPS:
            rng = np.random.default_rng(1)
            seams = [drawn_seam(rng, KINDS[name], step) for _ in range(yards)]
            open_ = sum(not seam.tested for seam in seams)
            print(
                f"{name:8} {1000 * step:4.0f} mm: {sum(map(named, seams))} of {yards} named, "
                f"{open_} untested"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300, sys.argv[2:])
