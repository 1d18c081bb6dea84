"""traverses.csv: how traverses of azimuths and distances close, every row as it was booked.

Azimuths whose basis of bearings is not the grid are turned onto it first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import complete_points
from tieup.model.arrays import FloatArray
from tieup.model.control import Control
from tieup.model.reconciliation import Table
from tieup.reduce.sights import reduce_shots
from tieup.results.site import Site
from tieup.ties.traverse_closures import find_traverses
from tieup.units import length_factor


def traverses_table(site: Site) -> Table:
    """Return the traverses in the job's units, the shortest first; nothing where there are none."""
    book, case = site.fieldbook, site.case
    if not book.shots.azimuth.any():
        return {}
    names = complete_points(book.points, book.setups, case.given)
    number = {name: mark for mark, name in enumerate(names)}
    use = np.repeat(~book.shots.repeated[:, None], 3, axis=1)
    shots = replace(book.shots, basis=case.shots.basis)
    sights = reduce_shots(shots, book.setups, case.precision, use).sights
    walks = sorted(
        find_traverses(
            sights.turned(site.adjustment.turn),
            np.array([number.get(setup.station, -1) for setup in book.setups], dtype=np.int64),
            _known(case.given, number),
            case.refraction,
        ),
        key=lambda walk: (len(walk.points), walk.points),
    )
    if not walks:
        return {}
    length = length_factor(site.job.length_unit)
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


def _known(control: Control | None, number: Mapping[str, int]) -> FloatArray:
    """Return the given northings and eastings (P, 2) in m by the ``number`` of their marks."""
    known = np.full((len(number), 2), np.nan)
    if control is not None:
        known[[number[name] for name in control.names]] = control.coordinates[:, :2]
    return known
