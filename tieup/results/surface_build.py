"""Build the surfaces that a job asks for, hold them to their limits and against each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.derive.points import DerivedPoints
from tieup.derive.slopes import Slopes
from tieup.model.arrays import BoolArray, FloatArray, IntArray, TextArray
from tieup.model.reconciliation import Table
from tieup.model.surfaces import GradeLimits
from tieup.results.site import Site
from tieup.results.surface_between import LayerBetween, Other, layer_of
from tieup.results.surface_ground import SiteGround, SiteHeights, site_grounds
from tieup.surface.drainage import CANNOT_TELL, DRAINS, HOLDS
from tieup.surface.limits import HeldGrades, faces_along, faces_within, held_to
from tieup.surface.mesh import mesh_of_faces
from tieup.surface.whole_surface import Surface, build_surface


@dataclass(frozen=True)
class BuiltSurface:
    """A surface with what it is made of; ``verdicts`` (p,) of its places, seams considered.

    ``held`` are the limits of grades that it is held to, ``layer`` what lies below it.
    """

    site: SiteGround
    surface: Surface
    verdicts: TextArray
    held: tuple[tuple[GradeLimits, int, HeldGrades], ...]
    layer: LayerBetween | None = None

    @property
    def verdict(self) -> str:
        """Return drains, holds or cannot tell, empty where there are no triangles.

        A surface that is not made of what it should be is not told to drain.
        """
        if not len(self.surface.mesh.faces):
            return ""
        found = set(self.verdicts.tolist())
        return HOLDS if HOLDS in found else CANNOT_TELL if found or self.unsafe else DRAINS

    @property
    def unsafe(self) -> bool:
        """Return whether points, lines or rings that it is made of leave its answer open."""
        surface = self.surface
        odd = self.unsafe_meetings.any() or self.unsafe_twins.any() or len(surface.touches[0])
        return bool(odd or surface.bad_rings or self.site.left_out)

    @property
    def unsafe_meetings(self) -> BoolArray:
        """Return which meetings (c,) of lines at different heights are in the surface."""
        return np.asarray(self.surface.mesh.used[self.surface.meetings.vertex])

    @property
    def unsafe_twins(self) -> BoolArray:
        """Return which twins (k,) of different height have a point in the surface."""
        return np.asarray((self.surface.vertex[self.surface.twins.points] >= 0).any(axis=1))


def built_surfaces(
    site: Site,
    slopes: Slopes,
    derived: DerivedPoints,
    coordinates: Table,
    given: Mapping[str, tuple[FloatArray, IntArray]],
) -> tuple[BuiltSurface, ...]:
    """Return the surfaces that the job asks for.

    ``given`` are places (n, 3) m in the job's frame and triangles (t, 3) of those that files
    hold, by the name of the surface that is held against them.
    """
    built = []
    heights, grounds = site_grounds(site, slopes, derived, coordinates)
    for made in grounds:
        surface = build_surface(made.ground, site.job.confidence)
        verdicts = surface.drainage.places.verdict.copy()
        seam = np.zeros(len(verdicts), dtype=bool)
        seam[: len(surface.seam_ponds)] = surface.seam_ponds
        verdicts[seam] = CANNOT_TELL
        held = tuple(_held(made, surface, slopes, site.job.confidence))
        built.append(BuiltSurface(made, surface, verdicts, held))
    heights = _widened(heights, built)
    others = {one.site.wish.name: Other(one.surface.mesh, one.site) for one in built}
    origin = site.solved.network.origin
    files = {
        name: Other(mesh_of_faces(place - origin, faces), None)
        for name, (place, faces) in given.items()
    }
    return tuple(_over(one, others, files, heights, site.job.confidence) for one in built)


def _widened(heights: SiteHeights, built: Sequence[BuiltSurface]) -> SiteHeights:
    """Return the heights with the sds of places that two points dispute in some surface."""
    own = heights.spread.own.copy()
    for one in built:
        rows = heights.rows(one.site.number)
        own[rows] = np.maximum(own[rows], one.surface.ground.spread.own)
    return replace(heights, spread=replace(heights.spread, own=own))


def _over(
    built: BuiltSurface,
    others: Mapping[str, Other],
    files: Mapping[str, Other],
    heights: SiteHeights,
    confidence: float,
) -> BuiltSurface:
    """Return a surface with what lies between it and the one that it is held against."""
    wish = built.site.wish
    if wish.against is None:
        return built
    other = others[wish.against.surface] if wish.against.surface else files[wish.name]
    layer = layer_of(built.surface, built.site, other, heights, confidence)
    return replace(built, layer=layer)


def _held(
    made: SiteGround, surface: Surface, slopes: Slopes, confidence: float
) -> Iterator[tuple[GradeLimits, int, HeldGrades]]:
    parts = {line.name: line.parts for line in slopes.lines}
    vertex = np.full(len(slopes.places.names), -1)
    vertex[made.number] = surface.vertex
    for limits in made.wish.limits:
        chosen: tuple[IntArray, FloatArray | None]
        if limits.along:
            lines = [vertex[list(part)] for part in parts[limits.along]]
            chosen = faces_along(surface.mesh, [line[line >= 0].tolist() for line in lines])
        else:
            ring = [point for part in parts.get(limits.within, ()) for point in part]
            place = slopes.places.position[ring, :2] if limits.within else None
            chosen = faces_within(surface.mesh, place), None
        for number, limit in enumerate(limits.limits):
            grades = surface.grades
            found = held_to(surface.mesh, surface.spread, grades, limit, chosen, confidence)
            yield limits, number, found
