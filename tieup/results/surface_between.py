"""What lies between two surfaces of a site: volumes, thickness over the area and along strings.

Points of both surfaces are known together, so that what they have in common cancels. A surface
out of a file counts as known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from tieup.derive.measured_falls import CANNOT_TELL, PASS, Falls, verdict_of, verdicts
from tieup.model.arrays import FloatArray, TextArray
from tieup.model.reconciliation import Table
from tieup.model.surfaces import Against
from tieup.results.surface_ground import SiteGround, SiteHeights
from tieup.surface.between import Between, between, depths_at
from tieup.surface.mesh import Mesh
from tieup.surface.whole_surface import Surface

COVERED = 0.99  # share of a surface over another; edges are never shot twice alike; our choice


@dataclass(frozen=True)
class LayerBetween:
    """One surface over another: ``depth`` (p,) m with ``sd`` at the places of ``found``.

    ``verdict`` (p,) holds each depth to the thickness, empty where none is asked for; ``of_area``
    is the plan area (m^2) of the first surface, of which `Between.area` is covered.
    """

    found: Between
    sd: FloatArray
    verdict: TextArray
    strings: tuple[tuple[str, float, float, float, FloatArray, str], ...]
    sd_volume: FloatArray
    of_area: float

    @property
    def covered(self) -> bool:
        """Return whether the other surface lies under all of the first, edges apart."""
        return self.found.area >= COVERED * self.of_area


@dataclass(frozen=True)
class Other:
    """The surface that another one is held against; ``ground`` None where it is out of a file."""

    mesh: Mesh
    ground: SiteGround | None


def layer_of(
    surface: Surface,
    ground: SiteGround,
    other: Other,
    heights: SiteHeights,
    confidence: float,
) -> LayerBetween:
    """Return what lies between a surface and the one that it is held against."""
    against = ground.wish.against or Against()
    found = between(surface.mesh, other.mesh)
    joined = _Joined(surface.mesh, ground, other, heights)
    sd = heights.spread.sd(joined.rows(found.of_first, found.of_second))
    return LayerBetween(
        found=found,
        sd=sd,
        verdict=_held(found.depth, sd, against, confidence),
        strings=tuple(_along(surface, ground, other, joined, against, confidence)),
        sd_volume=heights.spread.sd(joined.rows(found.volume_first, found.volume_second)),
        of_area=float(surface.mesh.area.sum()),
    )


@dataclass(frozen=True)
class _Joined:
    """Linear functions of the heights of two surfaces as such of all points of the site."""

    mesh: Mesh
    ground: SiteGround
    other: Other
    heights: SiteHeights

    def rows(self, of_first: csr_array, of_second: csr_array) -> csr_array:
        rows = self._by_site(of_first @ self.mesh.weights, self.ground)
        if self.other.ground is None:
            return rows
        second = self._by_site(of_second @ self.other.mesh.weights, self.other.ground)
        return csr_array(rows + second)

    def _by_site(self, rows: csr_array, ground: SiteGround) -> csr_array:
        wide = csr_array(rows)
        columns = self.heights.rows(ground.number)[wide.indices]
        shape = (wide.shape[0], len(self.heights.number))
        return csr_array((wide.data, columns, wide.indptr), shape=shape)


def _held(depth: FloatArray, sd: FloatArray, against: Against, confidence: float) -> TextArray:
    if not np.isfinite(against.tolerance):
        return np.full(len(depth), "", dtype=object)
    low, high = against.thickness - against.tolerance, against.thickness + against.tolerance
    return verdicts(Falls(depth, sd), low, high, confidence)


def _along(
    surface: Surface,
    ground: SiteGround,
    other: Other,
    joined: _Joined,
    against: Against,
    confidence: float,
) -> Iterator[tuple[str, float, float, float, FloatArray, str]]:
    """Give each string: name, length, mean depth with sd, depths, verdict."""
    for name, line in zip(ground.line_names, surface.ground.lines, strict=False):
        own = surface.vertex[np.array(line, dtype=np.int64)]
        plan = surface.mesh.place[own[own >= 0], :2]
        there, first, second = depths_at(surface.mesh, other.mesh, plan)
        if len(there) < 2:
            continue
        depth = first @ surface.mesh.height + second @ other.mesh.height
        step = np.hypot(*np.diff(plan[there], axis=0).T)
        share = (np.append(step, 0.0) + np.insert(step, 0, 0.0)) / (2.0 * step.sum())
        rows = joined.rows(first, second)
        sd = joined.heights.spread.sd(rows)
        mean = joined.heights.spread.sd(csr_array(share[None]) @ rows)
        held = _held(depth, sd, against, confidence)
        word = verdict_of(held) if held[0] else ""
        yield name, float(step.sum()), float(share @ depth), float(mean[0]), depth, word


def depths_table(layer: LayerBetween, against: Against, length: float) -> Table:
    """Return a row for the whole area and one for each string, in the job's units."""
    found = layer.found
    nothing = [np.nan] * len(layer.strings)
    volumes = found.volume / length**3
    sds = layer.sd_volume / length**3
    mean, sd_mean = (
        float(v[2] / found.area) if found.area > 0.0 else np.nan
        for v in (found.volume, layer.sd_volume)
    )
    depths = [found.depth, *(depth for *_, depth, _ in layer.strings)]
    return {
        "where": _texts(["all", *(name for name, *_ in layer.strings)]),
        "area": np.array([found.area / length**2, *(own[1] / length for own in layer.strings)]),
        "of_area": np.array([layer.of_area / length**2, *nothing]),
        **{
            key: np.array([value, *nothing])
            for part, whole, sd in zip(("cut", "fill", "net"), volumes, sds, strict=True)
            for key, value in ((part, whole), (f"sd_{part}", sd))
        },
        "thickness": np.array([mean, *(own[2] for own in layer.strings)]) / length,
        "sd_thickness": np.array([sd_mean, *(own[3] for own in layer.strings)]) / length,
        "least": np.array([depth.min(initial=np.inf) for depth in depths]) / length,
        "most": np.array([depth.max(initial=-np.inf) for depth in depths]) / length,
        "limit": np.full(1 + len(layer.strings), against.tolerance / length),
        "verdict": _texts([whole_verdict(layer), *(own[5] for own in layer.strings)]),
    }


def whole_verdict(layer: LayerBetween) -> str:
    """Return the verdict on the thickness everywhere, empty where none is asked for.

    What is not covered was not compared: nothing passes there, and without common ground there is
    nothing to tell, whatever was asked for.
    """
    if not len(layer.verdict):
        return CANNOT_TELL
    word = verdict_of(layer.verdict) if layer.verdict[0] else ""
    return CANNOT_TELL if word == PASS and not layer.covered else word


def thickness_table(layer: LayerBetween, origin: FloatArray, length: float) -> Table:
    """Return the thickness at every corner of the common triangles, in the job's units."""
    place = (layer.found.place + origin[:2]) / length
    return {
        "northing": place[:, 0],
        "easting": place[:, 1],
        "thickness": layer.found.depth / length,
        "sd_thickness": layer.sd / length,
        "verdict": layer.verdict,
    }


def _texts(values: list[str]) -> TextArray:
    return np.array(values, dtype=object)
