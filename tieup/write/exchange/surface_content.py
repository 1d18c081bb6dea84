"""Surfaces as files for other programs carry them: numbers of the tables, in the file's unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.model.reconciliation import Reconciliation
from tieup.model.surface_drawn import UNSAFE, SiteSurface
from tieup.units import length_factor
from tieup.write.columns import COORDINATE, DECIMALS, PER_CENT

PLACE = ("northing", "easting", "elevation")


@dataclass(frozen=True)
class SurfaceContent:
    """A surface: ``places`` (v, 3) N, E, H of its vertices, ``faces`` (t, 3) rows of those.

    Vertex i has the number i + 1 in every file. ``fall`` (t,) and ``sd_fall`` in per cent.
    ``breaklines`` are names with rows of vertices, ``border`` rings of rows, the outer ones first;
    ``contours`` elevations with places (k, 3); ``unsafe`` is what leaves its answer open: it is
    a draft then, however well the site ties.
    """

    name: str
    verdict: str
    places: FloatArray
    faces: IntArray
    fall: FloatArray
    sd_fall: FloatArray
    proof: Sequence[str]
    setups: Sequence[str]
    breaklines: Sequence[tuple[str, IntArray]]
    border: Sequence[IntArray]
    contours: Sequence[tuple[float, FloatArray]]
    unsafe: Sequence[str]

    def ring(self, rows: IntArray) -> FloatArray:
        """Return the places (k + 1, 3) of a ring, its first again at the end."""
        return self.places[[*rows, *rows[:1]]]

    @property
    def elevations(self) -> FloatArray:
        """Return the elevations (v,)."""
        return self.places[:, 2]


def surface_contents(site: Reconciliation, unit: str) -> tuple[SurfaceContent, ...]:
    """Return the surfaces of a site that have triangles, lengths in ``unit``."""
    factor = length_factor(site.job.length_unit) / length_factor(unit)
    return tuple(_content(one, factor) for one in site.surfaces if one.verdict)


def _content(surface: SiteSurface, factor: float) -> SurfaceContent:
    places = np.column_stack([surface.points[axis] for axis in PLACE]).astype(float)
    faces = np.column_stack([surface.faces[corner] for corner in "abc"]).astype(np.int64) - 1
    rings = [np.array(ring, dtype=np.int64) - 1 for ring in surface.border]
    rounded = _rounded(places * factor)
    contours = [(level * factor, np.asarray(line) * factor) for level, line in surface.contours]
    return SurfaceContent(
        name=surface.name,
        verdict=surface.verdict,
        places=rounded,
        faces=faces,
        fall=_fall(surface.faces["fall"]),
        sd_fall=_fall(surface.faces["sd_fall"]),
        proof=[str(word) for word in surface.faces["proof"]],
        setups=[str(word) for word in surface.faces["setups"]],
        breaklines=[(name, np.array(ids, dtype=np.int64) - 1) for name, ids in surface.breaklines],
        border=sorted(rings, key=lambda ring: -_area(rounded[ring])),
        contours=[
            (level, _rounded(np.column_stack([line, np.full(len(line), level)])))
            for level, line in contours
        ],
        unsafe=[text for kind, text in surface.said if kind == UNSAFE],
    )


def _area(ring: FloatArray) -> float:
    """Return twice the plan area of a ring, positive counterclockwise seen from above."""
    x, y = ring[:, 1] - ring[0, 1], ring[:, 0] - ring[0, 0]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def outer(content: SurfaceContent, ring: IntArray) -> bool:
    """Return whether a ring ends the surface outside; else it is that of a hole."""
    return _area(content.places[ring]) > 0.0


def _rounded(values: FloatArray) -> FloatArray:
    return np.round(values, DECIMALS[COORDINATE]) + 0.0


def _fall(values: Any) -> FloatArray:
    return np.round(np.asarray(values, dtype=float), DECIMALS[PER_CENT]) + 0.0
