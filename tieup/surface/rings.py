"""The rings of edges that end a surface, the outer ones counterclockwise seen from above."""

from __future__ import annotations

from tieup.surface.mesh import Mesh


def rings_of(mesh: Mesh) -> list[list[int]]:
    """Return the border as rings of vertices, each without its first again at the end.

    Where the border touches itself at a vertex, the ring turns so that it does not cross itself.
    """
    ends, _ = mesh.border()
    ahead: dict[int, list[int]] = {}
    for a, b in ends.tolist():
        ahead.setdefault(a, []).append(b)
    rings = []
    while ahead:
        start = next(iter(ahead))
        ring, node = [start], start
        while True:
            onward = _take(mesh, ahead, ring[-2] if len(ring) > 1 else -1, node)
            if onward == start:
                break
            ring.append(onward)
            node = onward
        rings.append(ring)
    return rings


def _take(mesh: Mesh, ahead: dict[int, list[int]], before: int, node: int) -> int:
    """Take the next vertex from the border: of several, the one most to the left."""
    some = ahead[node]
    chosen = some[0]
    if len(some) > 1 and before >= 0:
        chosen = max(some, key=lambda other: _turn(mesh, before, node, other))
    some.remove(chosen)
    if not some:
        del ahead[node]
    return chosen


def _turn(mesh: Mesh, before: int, node: int, after: int) -> float:
    """Return the turn to the left at a vertex, from -1 (sharp right) to 1, in no unit."""
    y, x = (mesh.place[node] - mesh.place[before])[:2]
    v, u = (mesh.place[after] - mesh.place[node])[:2]
    cross, dot = x * v - y * u, x * u + y * v
    size = float(abs(cross) + abs(dot)) or 1.0
    return float(cross / size if dot >= 0 else (2.0 if cross > 0 else -2.0) - cross / size)
