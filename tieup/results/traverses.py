"""traverses.csv: how traverses of azimuths and distances close."""

from __future__ import annotations

import numpy as np

from tieup.model.reconciliation import Table
from tieup.results.site import Site
from tieup.ties.traverses import find_traverses
from tieup.units import length_factor


def traverses_table(site: Site) -> Table:
    """Return the traverses in the job's units, the shortest first; nothing where there are none."""
    walks = sorted(
        find_traverses(site.solved.network, site.case.refraction),
        key=lambda walk: (len(walk.points), walk.points),
    )
    if not walks:
        return {}
    length, names = length_factor(site.job.length_unit), site.case.points
    off = np.array([walk.misclosure for walk in walks]) / length
    far = np.array([walk.length for walk in walks]) / length
    gap = np.array([walk.linear for walk in walks]) / length
    with np.errstate(divide="ignore"):
        ratio = np.where(gap > 0.0, far / gap, np.nan)
    return {
        "traverse": np.array(["-".join(names[p] for p in w.points) for w in walks], dtype=object),
        "kind": np.array(["link" if w.held else "loop" for w in walks], dtype=object),
        "legs": np.array([len(w.points) - 1 for w in walks]),
        "length": far,
        "d_northing": off[:, 0],
        "d_easting": off[:, 1],
        "misclosure": gap,
        "precision": np.floor(ratio),
    }
