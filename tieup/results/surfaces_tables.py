"""The surfaces of a site laid out as tables and lines in the job's own units."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from tieup.derive.measured_falls import CANNOT_TELL as UNTOLD
from tieup.derive.measured_falls import FAIL, PASS
from tieup.model.arrays import FloatArray, IntArray, TextArray
from tieup.model.point_words import DISPUTED
from tieup.model.reconciliation import Table
from tieup.model.surface_drawn import MADE_OF, NONE, UNSAFE, SiteSurface
from tieup.model.surfaces import GradeLimits
from tieup.results.derived_table import PROOFS
from tieup.results.job_units import in_angle_unit
from tieup.results.site import Site
from tieup.results.strings_table import PER_CENT
from tieup.results.surface_between import (
    depths_table,
    thickness_table,
)
from tieup.results.surface_build import BuiltSurface
from tieup.results.surface_inputs import surface_inputs, why_none
from tieup.results.surface_names import words_of
from tieup.results.surface_words import place_lines, pond_reason, seam_lines
from tieup.surface.checks import critical
from tieup.surface.contours import contour_lines, interval_of
from tieup.surface.drainage import HOLDS
from tieup.surface.flow import EDGE, LOST, shares
from tieup.surface.limits import HeldGrades
from tieup.surface.mesh import kept
from tieup.surface.rings import rings_of
from tieup.surface.seams import SHARED, bridging
from tieup.units import length_factor

MOST_INLETS = 8  # that are told one by one; of more, those of one code together


def site_surface(built: BuiltSurface, site: Site, coordinates: Table) -> SiteSurface:
    """Return a surface as tables and lines in the job's units."""
    mesh = built.surface.mesh
    layout = _Layout(built, site, coordinates)
    length = length_factor(site.job.length_unit)
    interval = interval_of(mesh.height[mesh.used], length)
    origin = float(site.solved.network.origin[2])
    levels = []
    if len(mesh.faces) and np.isfinite(interval):
        lowest = np.floor((mesh.height[mesh.used].min() + origin) / interval)
        count = int(np.ceil(np.ptp(mesh.height[mesh.used]) / interval)) + 2
        levels = [(lowest + i) * interval - origin for i in range(count)]
    contours = [
        ((level + origin) / length, (line + site.solved.network.origin[:2]) / length)
        for level, line in contour_lines(mesh, levels)
    ]
    return SiteSurface(
        name=built.site.wish.name,
        verdict=built.verdict,
        points=layout.points(),
        faces=layout.faces(),
        ponds=layout.ponds(),
        seams=layout.seams(),
        grades=layout.grades(),
        depths=layout.depths(),
        thickness=layout.thickness(),
        breaklines=layout.breaklines(),
        border=[[layout.ids[v] for v in ring] for ring in rings_of(mesh)],
        contours=contours,
        shores=layout.shores(),
        inlets=layout.inlets(),
        shares=layout.shares(),
        stands=layout.stands(),
        said=layout.said(),
    )


class _Layout:
    """Tables of one surface."""

    def __init__(self, built: BuiltSurface, site: Site, coordinates: Table) -> None:
        self._built, self._site, self._coordinates = built, site, coordinates
        self._surface, self._mesh = built.surface, built.surface.mesh
        self._length = length_factor(site.job.length_unit)
        self._origin = site.solved.network.origin
        self._labels = [setup.label for setup in site.case.setups]
        used = self._mesh.used
        self.ids = np.where(used, np.cumsum(used), 0)
        weights, self.words = self._mesh.weights, words_of(built, site)
        self.names = self.words.names
        proof = [str(coordinates["proof"][row]) for row in built.site.rows.tolist()]
        ground = built.surface.ground
        codes = np.array(coordinates["code"], dtype=object)[built.site.rows]
        self._inlets = {
            int(built.surface.vertex[point]): str(codes[point])
            for point in ground.inlets
            if built.surface.vertex[point] >= 0
        }
        cuts = pairwise(weights.indptr.tolist())
        self._proof = [_weakest(proof[i] for i in weights.indices[a:b].tolist()) for a, b in cuts]
        for vertex in np.flatnonzero(built.surface.disputed).tolist():
            self._proof[vertex] = DISPUTED

    def points(self) -> Table:
        """Return every vertex that is a corner of a triangle."""
        rows = np.flatnonzero(self._mesh.used)
        place = (self._mesh.place[rows] + self._origin) / self._length
        sd = self._surface.spread.sd(rows[:, None], np.ones((len(rows), 1))) / self._length
        return {
            "id": self.ids[rows],
            "point": _texts([self.names[v] for v in rows.tolist()]),
            "northing": place[:, 0],
            "easting": place[:, 1],
            "elevation": place[:, 2],
            "sd_elevation": sd,
            "proof": _texts([self._proof[v] for v in rows.tolist()]),
            "raise": self._raise(rows),
        }

    def _raise(self, vertices: IntArray) -> FloatArray:
        """Return by how much to raise vertices, NaN for not at all, and where that is no cure."""
        up = self._surface.raises.up[vertices]
        return np.where(up > 0.0, up, np.nan) / self._length

    def faces(self) -> Table:
        """Return every triangle."""
        mesh, grades = self._mesh, self._surface.grades
        setup = self._surface.setup
        seam = bridging(mesh, setup)
        return {
            "a": self.ids[mesh.faces[:, 0]],
            "b": self.ids[mesh.faces[:, 1]],
            "c": self.ids[mesh.faces[:, 2]],
            "fall": grades.fall / PER_CENT,
            "fall_azimuth": in_angle_unit(grades.azimuth, self._site.job.angle_unit),
            "sd_fall": grades.sd / PER_CENT,
            "proof": _texts([_weakest(self._proof[v] for v in f) for f in mesh.faces.tolist()]),
            "breaks": _texts(self._broken()),
            "joint": _texts(["across" if over else "within" for over in seam.tolist()]),
            "setups": _texts([self._setups(own) for own in setup[mesh.faces].tolist()]),
        }

    def _broken(self) -> list[str]:
        """Return the limits that each triangle breaks."""
        found: list[list[str]] = [[] for _ in self._mesh.faces]
        for limits, number, held in self._built.held:
            for face in np.unique(held.faces[held.verdict == FAIL]).tolist():
                found[face].append(f"{limits.name} {limits.limits[number].id}")
        return ["; ".join(own) for own in found]

    def _setups(self, own: Sequence[int]) -> str:
        return " ".join(self._labels[s] for s in sorted({*own} - {SHARED}))

    def ponds(self) -> Table:
        """Return every place that holds water, or that nobody can tell."""
        places, length = self._surface.drainage.places, self._length
        place = (self._mesh.place[places.vertex] + self._origin) / length
        outlet = self._surface.flow.outlet
        toward = places.toward.tolist()
        depth = np.where(np.isfinite(places.depth), places.depth, np.nan)
        rows = range(len(places))
        ends = [outlet[t] if t >= 0 else LOST for t in toward]
        return {
            "northing": place[:, 0],
            "easting": place[:, 1],
            "elevation": place[:, 2],
            "point": _texts([self.names[v] for v in places.vertex.tolist()]),
            "depth": depth / length,
            "sd_depth": places.sd / length,
            "area": places.area / length**2,
            "volume": places.volume / length**3,
            "sd_volume": places.sd_volume / length**3,
            "spill_point": _texts([self.names[t] if t >= 0 else "" for t in toward]),
            "way_out": _texts([self._way_out(end) for end in ends]),
            "raise": self._raise(places.vertex),
            "verdict": self._built.verdicts,
            "reason": _texts([pond_reason(self._surface, row, self.words) for row in rows]),
        }

    def _way_out(self, vertex: int) -> str:
        if vertex == LOST:
            return "none"
        if vertex not in self._inlets:
            return "edge"
        name, code = self.names[vertex], self._inlets[vertex]
        return name if name in self._built.site.wish.inlets else f"{code} {name}"

    def shares(self) -> list[tuple[str, float]]:
        """Return what drains where, largest first: the name of an inlet, edge, or none."""
        found: dict[str, float] = {}
        for vertex, area in shares(self._mesh, self._surface.flow).items():
            name = self._shared(vertex)
            found[name] = found.get(name, 0.0) + area / self._length**2
        return sorted(found.items(), key=lambda item: -item[1])

    def _shared(self, vertex: int) -> str:
        name = "edge" if vertex == EDGE else self._way_out(vertex)
        if vertex in self._inlets and name not in self._built.site.wish.inlets:
            return self._inlets[vertex] if len(self._inlets) > MOST_INLETS else name
        return name

    def stands(self) -> list[tuple[str, float, str]]:
        """Return point, area and way out of what fills each pond first that holds, largest first.

        The area is that of the triangles whose water comes there before anywhere else.
        """
        ponds, flow = self._surface.drainage.ponds, self._surface.flow
        own = flow.pond >= 0
        area = np.bincount(flow.pond[own], self._mesh.area[own], minlength=len(ponds))
        found = [
            (
                self.words.at(int(ponds.lowest[row])),
                float(area[row]) / self._length**2,
                self._shared(int(flow.outlet[ponds.lowest[row]])),
            )
            for row in np.flatnonzero(self._built.verdicts[: len(ponds)] == HOLDS).tolist()
        ]
        return sorted(found, key=lambda item: -item[1])

    def shores(self) -> list[tuple[int, FloatArray]]:
        """Return the outlines of the water of each pond, by its row."""
        ponds, found = self._surface.drainage.ponds, []
        of_face = ponds.of_vertex[self._mesh.faces].max(axis=1, initial=-1)
        for row in range(len(ponds)):
            own = kept(self._mesh, of_face == row)
            for _, line in contour_lines(own, [float(ponds.level[row])]):
                found.append((row, (line + self._origin[:2]) / self._length))
        return found

    def inlets(self) -> list[str]:
        """Return the names of the inlets that are in the surface."""
        return [self.names[vertex] for vertex in self._inlets]

    def seams(self) -> Table:
        """Return every two setups whose points triangles bridge."""
        seams, length = self._surface.seams, self._length
        if not seams:
            return {}
        step = np.array([seam.step for seam in seams])
        return {
            "setups": _texts([" ".join(self._labels[s] for s in seam.setups) for seam in seams]),
            "edges": np.array([len(seam.edges) for seam in seams]),
            "step": step / length,
            "sd_step": np.array([seam.sd for seam in seams]) / length,
            "sd_expected": np.array([seam.expected for seam in seams]) / length,
            "verdict": _texts(
                [
                    "step" if seam.clear > critical() else "none" if seam.tested else "untested"
                    for seam in seams
                ]
            ),
        }

    def grades(self) -> Table:
        """Return what came of each limit of grades."""
        rows = [self._grade(*held) for held in self._built.held]
        return {key: _column([row[key] for row in rows]) for key in rows[0]} if rows else {}

    def _grade(self, limits: GradeLimits, number: int, held: HeldGrades) -> dict[str, object]:
        limit = limits.limits[number]
        fails, open_ = held.verdict == FAIL, held.verdict == UNTOLD
        area = self._mesh.area[held.faces] / self._length**2
        verdict = FAIL if fails.any() else UNTOLD if open_.any() or not len(area) else PASS
        over = np.maximum(limit.minimum - held.value, held.value - limit.maximum)
        worst = (
            int(np.argmax(np.where(held.verdict == verdict, over, -np.inf))) if len(over) else -1
        )
        place = np.full(2, np.nan)
        if worst >= 0:
            corner = self._mesh.place[self._mesh.faces[held.faces[worst]], :2].mean(axis=0)
            place = (corner + self._origin[:2]) / self._length
        return {
            "limit": f"{limits.name} {limit.id}",
            "where": limits.along or limits.within,
            "minimum": limit.minimum / PER_CENT if np.isfinite(limit.minimum) else np.nan,
            "maximum": limit.maximum / PER_CENT if np.isfinite(limit.maximum) else np.nan,
            "area": float(area.sum()),
            "area_fails": float(area[fails].sum()),
            "area_open": float(area[open_].sum()),
            "fall": held.value[worst] / PER_CENT if worst >= 0 else np.nan,
            "sd_fall": held.sd[worst] / PER_CENT if worst >= 0 else np.nan,
            "northing": place[0],
            "easting": place[1],
            "verdict": verdict,
            "source": limit.source,
        }

    def said(self) -> tuple[tuple[str, str], ...]:
        """Return what the crew is told, each with its heading."""
        inputs = surface_inputs(self._built, self.words)
        made = [(UNSAFE if one.unsafe else MADE_OF, one.says) for one in inputs]
        if not self._built.verdict:
            return ((NONE, why_none(self._built)), *made)
        verdicts = self._built.verdicts.tolist()
        water = [*place_lines(self._surface, verdicts, self.words)]
        seams = [("seams", text) for _, text in seam_lines(self._surface, self.words)]
        inner = self._surface.drainage.inner
        edge = [("edge", "No inner point: only the edge was shot, which lets water away.")]
        level = edge if not inner and len(self._mesh.faces) else []
        return (*made, *water, *seams, *level)

    def depths(self) -> Table:
        """Return what lies below the surface, over the area and along strings."""
        layer, against = self._built.layer, self._built.site.wish.against
        return depths_table(layer, against, self._length) if layer and against else {}

    def thickness(self) -> Table:
        """Return how thick the layer is at every place where a triangle has a corner."""
        layer = self._built.layer
        return thickness_table(layer, self._origin, self._length) if layer else {}

    def breaklines(self) -> list[tuple[str, list[int]]]:
        """Return name and ids of the vertices of the breaklines, as far as they are in it."""
        found = []
        for name, line in zip(
            self._built.site.line_names, self._surface.ground.lines, strict=False
        ):
            own = self._surface.vertex[list(line)]
            ids = [int(self.ids[v]) for v in own.tolist() if v >= 0]
            if len(ids) > 1:
                found.append((name, ids))
        return found


def _weakest(proofs: Iterator[str]) -> str:
    found = {*proofs}
    return next((proof for proof in PROOFS if proof in found), "")


def _column(values: list[object]) -> np.ndarray:
    return np.array(values, dtype=object if isinstance(values[0], str) else float)


def _texts(values: Sequence[str]) -> TextArray:
    return np.array(values, dtype=object)
