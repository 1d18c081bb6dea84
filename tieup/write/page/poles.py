"""On which booked pole heights side shots hang, for the surveyor's view."""

from __future__ import annotations

from tieup.model.reconciliation import Reconciliation
from tieup.write.page.grid import NAME, NUMBER, POINT, TEXT, Column, Grid, left_out, length, texts

MOST_POLES = 200


def poles_grid(site: Reconciliation) -> Grid | None:
    """Return what hangs on each booked pole height, None where no side shot has a pole."""
    table = site.poles
    if not table:
        return None

    def cut(name: str) -> list[str]:
        return texts(table, name)[:MOST_POLES]

    return Grid(
        "A pole booked wrong, or changed and not booked, moves every height that hangs on it.",
        (
            Column("Setup", POINT, cut("setup")),
            Column("Pole", NUMBER, cut("height")),
            Column("Side shots", NUMBER, cut("side_shots")),
            Column("Checked by", TEXT, cut("checked_by")),
            Column("In the book", TEXT, cut("remark")),
            Column("Points", NAME, cut("points")),
        ),
        left_out(MOST_POLES, length(table), "rows"),
    )
