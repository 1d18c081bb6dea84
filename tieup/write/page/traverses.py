"""How traverses close, for the surveyor's view."""

from __future__ import annotations

import numpy as np

from tieup.model.reconciliation import Reconciliation
from tieup.write.page.grid import NUMBER, TEXT, Column, Grid


def traverses_grid(site: Reconciliation) -> Grid | None:
    """Return the misclosures of traverses of azimuths and distances, None where there are none."""
    table, unit = site.traverses, site.job.length_unit
    if not table:
        return None
    places = 3 if unit == "m" else 2

    def printed(name: str, sign: str = "") -> list[str]:
        return [f"{value:{sign}.{places}f}" for value in np.asarray(table[name]).tolist()]

    ratio = [f"1:{r:.0f}" if r == r else "" for r in np.asarray(table["precision"]).tolist()]
    return Grid(
        f"Every row as it was booked; lengths in {unit}. A loop comes back to its first mark, a "
        "link runs between two known ones.",
        (
            Column("Traverse", TEXT, list(table["traverse"])),
            Column("Kind", TEXT, list(table["kind"])),
            Column("Length", NUMBER, printed("length")),
            Column("N", NUMBER, printed("d_northing", "+")),
            Column("E", NUMBER, printed("d_easting", "+")),
            Column("Misclosure", NUMBER, printed("misclosure")),
            Column("Precision", NUMBER, ratio),
        ),
    )
