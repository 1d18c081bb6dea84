"""On which booked pole heights side shots hang, for the surveyor's view."""

from __future__ import annotations

from tieup.model.reconciliation import Reconciliation
from tieup.write.page.page_table import (
    NAME,
    NUMBER,
    POINT,
    TEXT,
    PageColumn,
    PageTable,
    left_out,
    length,
    texts,
)

MOST_POLES = 200


def poles_table(site: Reconciliation) -> PageTable | None:
    """Return what hangs on each booked pole height, None where no side shot has a pole."""
    table = site.poles
    if not table:
        return None

    def cut(name: str) -> list[str]:
        return texts(table, name)[:MOST_POLES]

    return PageTable(
        "A pole booked wrong, or changed and not booked, moves every height that hangs on it.",
        (
            PageColumn("Setup", POINT, cut("setup")),
            PageColumn("Pole", NUMBER, cut("height")),
            PageColumn("Side shots", NUMBER, cut("side_shots")),
            PageColumn("Checked by", TEXT, cut("checked_by")),
            PageColumn("In the book", TEXT, cut("remark")),
            PageColumn("Points", NAME, cut("points")),
        ),
        left_out(MOST_POLES, length(table), "rows"),
    )
