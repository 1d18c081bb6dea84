"""A surface as files and pages show it, in the job's own units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tieup.model.arrays import FloatArray

if TYPE_CHECKING:
    from tieup.model.reconciliation import Table

UNSAFE, MADE_OF, NONE = "unsafe", "made of", "none"  # what lines of ``said`` are about


@dataclass(frozen=True)
class SiteSurface:
    """One surface.

    ``points`` has a row for each vertex, ``faces`` for each triangle (ids a, b, c of points),
    ``ponds`` for each place that holds water or may, ``seams`` for each two setups that meet,
    ``grades`` for each limit, ``depths`` for what lies between two surfaces, ``thickness``
    for each place of that. ``breaklines`` are
    names with the ids of their vertices, ``border`` the ids of each ring that ends the surface;
    ``contours`` elevations, each with places (k, 2) northing, easting along one line; ``shores``
    rows of ``ponds`` with an outline of the water. ``verdict`` is drains, holds, cannot tell, or
    empty where there is no surface; ``shares`` what drains where; ``stands`` point, area and way
    out of what must first fill a pond that is proved; ``said`` is the crew's answer, each line with
    what it is about: holds, cannot tell, seams, edge (no point inside of it could be tested), what
    the surface is made of (``unsafe`` where that leaves its answer open, else ``made of``), or why
    it is none.
    """

    name: str
    verdict: str
    points: Table
    faces: Table
    ponds: Table
    seams: Table = field(default_factory=dict)
    grades: Table = field(default_factory=dict)
    depths: Table = field(default_factory=dict)
    thickness: Table = field(default_factory=dict)
    breaklines: Sequence[tuple[str, Sequence[int]]] = ()
    border: Sequence[Sequence[int]] = ()
    contours: Sequence[tuple[float, FloatArray]] = ()
    shores: Sequence[tuple[int, FloatArray]] = ()
    inlets: Sequence[str] = ()
    shares: Sequence[tuple[str, float]] = ()
    stands: Sequence[tuple[str, float, str]] = ()
    said: Sequence[tuple[str, str]] = ()
