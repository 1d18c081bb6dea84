"""points.txt: one point a line as point, northing, easting, elevation, code, separated by commas.

Lines that begin with ``#`` say what the numbers are; a cell stands in quotes where it holds a
comma or a quote. A line break in a name or a code, which programs that read line by line would
take for the next point, is a blank, and the head says so.
"""

from __future__ import annotations

import re

import numpy as np

from tieup.model.reconciliation import Table
from tieup.write.columns import COORDINATE, TEXT
from tieup.write.exchange.content import AXES, SiteContent
from tieup.write.tables import csv_text

LINE_BREAK = re.compile("\r\n|[\n\v\f\r\x1c-\x1e\x85\u2028\u2029]")  # as str.splitlines has them
COLUMNS = {"point": TEXT, **dict.fromkeys(AXES, COORDINATE), "code": TEXT}


def pnezd_text(content: SiteContent) -> str:
    """Return points.txt; an unknown elevation is an empty cell."""
    places = np.array([point.place for point in content.points]).reshape(-1, len(AXES))
    texts = {
        "point": [point.name for point in content.points],
        "code": [point.code for point in content.points],
    }
    flat = {name: [LINE_BREAK.sub(" ", text) for text in cells] for name, cells in texts.items()}
    table: Table = {
        "point": flat["point"],
        **{axis: places[:, number] for number, axis in enumerate(AXES)},
        "code": flat["code"],
    }
    heading, _, rows = csv_text(table, COLUMNS, "deg").partition("\n")
    said = [] if flat == texts else ["Line breaks in names and codes are blanks here."]
    first, *others = (*content.statements, *said)
    head = (first, heading, *others) if content.draft else (heading, first, *others)
    return "".join(f"# {line}\n" for line in head) + rows
