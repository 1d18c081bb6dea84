"""points.txt: one point a line as point, northing, easting, elevation, code, separated by commas.

Lines that begin with ``#`` say what the numbers are; a cell stands in quotes where it holds a
comma, a quote or a line break.
"""

from __future__ import annotations

import numpy as np

from tieup.model.reconciliation import Table
from tieup.write.columns import COORDINATE, TEXT
from tieup.write.exchange.content import AXES, SiteContent
from tieup.write.tables import csv_text

COLUMNS = {"point": TEXT, **dict.fromkeys(AXES, COORDINATE), "code": TEXT}


def pnezd_text(content: SiteContent) -> str:
    """Return points.txt; an unknown elevation is an empty cell."""
    places = np.array([point.place for point in content.points]).reshape(-1, len(AXES))
    table: Table = {
        "point": [point.name for point in content.points],
        **{axis: places[:, number] for number, axis in enumerate(AXES)},
        "code": [point.code for point in content.points],
    }
    heading, _, rows = csv_text(table, COLUMNS, "deg").partition("\n")
    return "".join(f"# {line}\n" for line in (heading, *content.statements)) + rows
