"""How the places of a surface are called in words: by the names of their points."""

from __future__ import annotations

import numpy as np

from tieup.diagnose.basis.phrases import Phrases
from tieup.results.site import Site
from tieup.results.surface_build import BuiltSurface
from tieup.results.surface_words import Words
from tieup.units import length_factor


def words_of(built: BuiltSurface, site: Site) -> Words:
    """Return how the places of a surface are called."""
    surface, length = built.surface, length_factor(site.job.length_unit)
    names, weights = built.site.names, surface.mesh.weights
    firsts = weights.indices[weights.indptr[:-1]].tolist()
    # a mean of two heights that differ is that of neither point
    merged = surface.twins.points[np.equal(*surface.vertex[surface.twins.points].T)]
    twins = {
        int(surface.vertex[a]): f"mean of {names[a]} and {names[b]}" for a, b in merged.tolist()
    }
    twins.pop(-1, None)
    return Words(
        phrases=Phrases(site.job.length_unit),
        names=[twins.get(v, names[f]) if v < surface.points else "" for v, f in enumerate(firsts)],
        place=(surface.mesh.place[:, :2] + site.solved.network.origin[:2]) / length,
        labels=[setup.label for setup in site.case.setups],
        confidence=site.job.confidence,
        origin=site.solved.network.origin[:2],
    )
