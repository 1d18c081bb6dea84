"""How long a large surface takes: ``python -m tests.bench.surface_speed [points] [edges]``.

The whole surface with all its checks, against the bare call of the triangulation library on the
same points and edges plus reading them from a table, in one run, best of three each.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pythoncdt

from tieup.surface.spread import HeightSpread
from tieup.surface.whole_surface import SurfaceGround, build_surface


def ground_of(points: int, edges: int) -> SurfaceGround:
    """Return a rolling ground of five setups, its breaklines polylines of twenty legs."""
    rng = np.random.default_rng(1)
    side = np.sqrt(points) * 2.0
    plan = rng.uniform(0, side, (points, 2))
    lines = []
    for number in range(edges // 20):
        start, way = rng.uniform(0.1 * side, 0.9 * side, 2), rng.uniform(0, 2 * np.pi)
        along = start + np.outer(np.arange(21) * 0.5, [np.cos(way), np.sin(way)])
        rows = np.arange(21 * number, 21 * number + 21)
        plan[rows] = along
        lines.append(tuple(rows.tolist()))
    height = 0.01 * plan[:, 0] + 0.5 * np.sin(plan[:, 1] / 30) + 0.003 * rng.normal(size=points)
    setup = np.minimum((plan[:, 1] / side * 5).astype(np.int64), 4)
    spread = HeightSpread(np.full(points, 0.001), 0.001 * np.eye(5)[setup])
    return SurfaceGround(np.column_stack([plan, height]), spread, setup, lines, longest=20.0)


def best(call: Callable[[], object]) -> float:
    """Return the shortest of three times in seconds."""
    times = []
    for _ in range(3):
        began = time.perf_counter()
        call()
        times.append(time.perf_counter() - began)
    return min(times)


def main(points: int, edges: int) -> None:
    """Print the times and their ratio."""
    ground = ground_of(points, edges)
    pairs = np.array([p for line in ground.lines for p in pairwise(line)])
    places = np.ascontiguousarray(ground.place[:, 1::-1])

    def bare() -> None:
        found = pythoncdt.Triangulation(
            pythoncdt.VertexInsertionOrder.AUTO,
            pythoncdt.IntersectingConstraintEdges.TRY_RESOLVE,
            1e-6,
        )
        found.insert_vertices(places)
        found.insert_edges(pairs.astype(np.uintc))
        found.erase_super_triangle()
        found.triangles_array()

    with tempfile.TemporaryDirectory() as folder:
        path, lines = Path(folder) / "points.csv", Path(folder) / "lines.csv"
        pd.DataFrame(ground.place, columns=["n", "e", "h"]).to_csv(path, index_label="id")
        pd.DataFrame(pairs, columns=["a", "b"]).to_csv(lines, index=False)
        reading = best(lambda: (pd.read_csv(path), pd.read_csv(lines)))
    alone, whole = best(bare), best(lambda: build_surface(ground, 0.95))
    print(
        f"{points:,} points, {len(pairs):,} edges: reading {reading:.2f} s, triangulation "
        f"{alone:.2f} s, whole surface {whole:.2f} s: {whole / (reading + alone):.1f} times"
    )


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*(given or [200_000, 20_000]))
