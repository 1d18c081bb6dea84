"""How often "drains" and "holds" are wrong: ``python -m tests.bench.surface_verdicts [yards]``.

Each yard has true heights and measured ones. "drains" of a yard is wrong where the true surface
holds water anywhere; "holds" of a pond where the true surface holds no water within it.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from tests.surface.yards import Yard, draw_yard
from tieup.surface.drainage import HOLDS, drainage_of
from tieup.surface.spread import VertexSpread
from tieup.surface.water import filled

CONFIDENCE = 0.95


def judged(yard: Yard) -> Counter[str]:
    """Return what was said of a yard and its ponds, and how much of it is wrong."""
    mesh = yard.mesh()
    outlet = yard.outlet(mesh)
    found = drainage_of(mesh, VertexSpread(yard.spread, mesh.weights), outlet, CONFIDENCE)
    wet = filled(yard.true[:, 2], mesh.edges, outlet).level > yard.true[:, 2]
    told: Counter[str] = Counter({f"yard {found.verdict}": 1})
    told["yards"] += 1
    told["true ponds"] += bool(wet.any())
    told["drains wrong"] += found.verdict == "drains" and bool(wet.any())
    holding = np.flatnonzero(found.places.verdict == HOLDS)
    wrong = [not wet[found.places.of_vertex == number].any() for number in holding.tolist()]
    told["ponds held"] += len(wrong)
    told["ponds wrong"] += sum(wrong)
    told["holds wrong"] += any(wrong)
    return told


def tally(yards: int, seed: int = 1) -> Counter[str]:
    """Return the sum over so many yards."""
    rng = np.random.default_rng(seed)
    return sum((judged(draw_yard(rng)) for _ in range(yards)), Counter())


if __name__ == "__main__":
    print(dict(tally(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)))
