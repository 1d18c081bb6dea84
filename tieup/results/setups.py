"""setups.csv and ties.csv: how each setup stands and whether its marks tie."""

from __future__ import annotations

import numpy as np

from tieup.model.reconciliation import Table
from tieup.results.site import Site
from tieup.units import length_factor


def ties_table(site: Site) -> Table:
    """Return the ties table, by point and setup."""
    ties, length = site.ties, length_factor(site.job.length_unit)
    names = np.array(site.case.points, dtype=object)
    labels = np.array([setup.label for setup in site.case.setups], dtype=object)
    d, sd = ties.difference / length, ties.sd / length
    limits = site.job.tolerances
    count = len(ties.point)
    return {
        "point": names[ties.point],
        "setup": labels[ties.setup],
        "d_northing": d[:, 0],
        "d_easting": d[:, 1],
        "d_elevation": d[:, 2],
        "d_horizontal": np.hypot(d[:, 0], d[:, 1]),
        "sd_northing": sd[:, 0],
        "sd_easting": sd[:, 1],
        "sd_elevation": sd[:, 2],
        "sd_horizontal": ties.sd_horizontal / length,
        "limit_horizontal": np.full(count, limits.horizontal / length),
        "limit_elevation": np.full(count, limits.elevation / length),
        "verdict": ties.verdict,
        "judgement": ties.judgement,
    }
