"""How traverses close, for the surveyor's view."""

from __future__ import annotations

import numpy as np

from tieup.model.reconciliation import Reconciliation
from tieup.write.page.page_table import NUMBER, TEXT, PageColumn, PageTable


def traverses_table(site: Reconciliation) -> PageTable | None:
    """Return the misclosures of traverses of azimuths and distances, None where there are none."""
    table, unit = site.traverses, site.job.length_unit
    if not table:
        return None
    places = 3 if unit == "m" else 2

    def printed(name: str, sign: str = "") -> list[str]:
        return [f"{value:{sign}.{places}f}" for value in np.asarray(table[name]).tolist()]

    ratio = [f"1:{r:.0f}" if r == r else "" for r in np.asarray(table["precision"]).tolist()]
    return PageTable(
        f"Every row as it was booked; lengths in {unit}. A loop comes back to its first mark, a "
        "link runs between two known ones.",
        (
            PageColumn("Traverse", TEXT, list(table["traverse"])),
            PageColumn("Kind", TEXT, list(table["kind"])),
            PageColumn("Length", NUMBER, printed("length")),
            PageColumn("N", NUMBER, printed("d_northing", "+")),
            PageColumn("E", NUMBER, printed("d_easting", "+")),
            PageColumn("Misclosure", NUMBER, printed("misclosure")),
            PageColumn("Precision", NUMBER, ratio),
        ),
    )
